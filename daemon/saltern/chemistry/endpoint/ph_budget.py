"""What a sample's pH is uncertain by beyond its curve: the budget of an extrapolation.

The electrode is fitted below pH 7 and read at pH 8. Whatever bends it, shifts it between the two, or shifts the fit, is
not in the fit's own uncertainty. Each row lets one thing be otherwise by one standard uncertainty, fits the electrode
again, and says how far the pH goes (GUM, JCGM 100:2008, 5.1.3, note 2). All repeat from run to run, so all are shared
by results; a buffer on the total scale that is read with the same electrode takes them together.
"""

from dataclasses import replace

import numpy as np

from saltern.chemistry.electrode import nernst_slope_mv
from saltern.chemistry.endpoint.curve import Conditions, Curve, EndPoint, Estimate, Priors
from saltern.chemistry.endpoint.least_squares import fit_of_water
from saltern.chemistry.endpoint.reading_model import bend
from saltern.chemistry.endpoint.sample_ph import initial_ph_total
from saltern.chemistry.equilibria import Constants
from saltern.errors import CurveError

CURVATURE_MV = 1.0
"""At pH 8, against a straight line through pH 4 and 7: assumed of a sound glass electrode."""

STIRRING_MV = 2.0
"""Between two speeds of the stirrer, as between stirred and standing (common practice: some mV; assumed)."""

PK1_U, PK2_U, PKB_U = 0.0075, 0.015, 0.01
"""Orr, Epitalon, Dickson & Gattuso 2018, Mar. Chem. 207, 84 (from memory): standard uncertainties of constants."""

CARBON_U_PH = 0.02
"""CO2 lost while it titrates, beyond what the fit sees: a vessel that loses it at 1/min gives a pH that is 0.04 to 0.05
too low (tests/benchmarks/ph_departures); about half of it is taken for one standard uncertainty (assumed)."""

FALL_U_PH = 0.01
"""CO2 lost or taken up as the sample falls into the vessel (assumed: some percent of what is out of balance)."""

TRIS, FALL = "tris buffer", "CO2 of the fall"


def ph_budget(
    curve: Curve,
    electrode: EndPoint,
    conditions: Conditions,
    priors: Priors,
    *,
    temperature_u_k: float,
    one_speed: bool = False,
) -> dict[str, float]:
    """Return by source the standard uncertainty of the sample's pH, total scale, beside that of the fit itself.

    Parameters
    ----------
    curve, electrode, conditions, priors
        The curve, the electrode that was fitted to it, and what that rested on.
    temperature_u_k
        Standard uncertainty of the vessel's temperature, K.
    one_speed
        Whether the sample was read at the speed of the stirrer that it was titrated at.

    Raises
    ------
    CurveError
        The curve has no reading before acid, or none that bears an electrode.
    """
    usual = initial_ph_total(curve, electrode, conditions).value
    ph = (electrode.e0_mv or 0.0) - curve.emf_mv
    ph = ph / (nernst_slope_mv(float(curve.temperature_c[0])) * (electrode.slope or 1.0))
    bent = replace(curve, emf_mv=curve.emf_mv + CURVATURE_MV * bend(ph))
    faster = replace(curve, emf_mv=curve.emf_mv + np.where(curve.titrant_g > 0.0, STIRRING_MV, 0.0))
    warmer = replace(curve, temperature_c=curve.temperature_c + temperature_u_k)
    borate = conditions.borate_ratio
    more = replace(conditions, borate_ratio=Estimate(borate.value + borate.u, borate.u))

    def moved(
        with_curve: Curve = curve, with_conditions: Conditions = conditions, by: dict[str, float] | None = None
    ) -> float:
        def other(k: Constants) -> Constants:
            weaker = {name: getattr(k, name) * 10.0**-shift for name, shift in (by or {}).items()}
            return replace(k, **weaker)

        try:
            refitted = fit_of_water(with_curve, with_conditions, priors, other)
        except CurveError:  # so far from a titration that the fit is refused: it would not have been accepted
            return 0.0
        return abs(initial_ph_total(with_curve, refitted, with_conditions).value - usual)

    return {
        "curvature of the electrode": moved(bent),
        "stirring": 0.0 if one_speed else moved(faster),
        "temperature": moved(warmer),
        "pK1": moved(by={"k1": PK1_U}),
        "pK2": moved(by={"k2": PK2_U}),
        "pKB": moved(by={"kb": PKB_U}),
        "borate": moved(with_conditions=more),
        "CO2 lost while it titrates": CARBON_U_PH,
        FALL: FALL_U_PH,
    }


def after_tris(u_ph: float) -> dict[str, float]:
    """Return the budget of a pH that a tris buffer corrects: the buffer has all that repeats but the sample's fall."""
    return {TRIS: u_ph, FALL: FALL_U_PH}
