"""A water's pH at another temperature: alkalinity and inorganic carbon stay, pH does not."""

from math import hypot, log10

from saltern.chemistry.endpoint.curve import Estimate
from saltern.chemistry.equilibria import constants, total_over_free
from saltern.chemistry.seawater import totals
from saltern.chemistry.titration import alkalinity_without_carbon, bicarbonate_share, solve_h

TEMPERATURE_STEP_K = 0.1


def ph_total_at(
    ph_total: float,
    alkalinity_umol_kg: float,
    salinity: float,
    from_c: float,
    to_c: float,
    borate_ratio: float = 1.0,
) -> float:
    """Return the pH, total scale, of the same water at another temperature, with nothing lost on the way.

    From pH and alkalinity follows the inorganic carbon (Dickson, Sabine & Christian 2007, chapter 2), and from both the
    pH at the constants of the other temperature. About -0.015 a kelvin at pH 8.

    Parameters
    ----------
    ph_total, alkalinity_umol_kg, salinity, borate_ratio
        Of the water; pH at `from_c`.
    from_c, to_c
        Temperatures, degC.
    """
    water, alkalinity = totals(salinity, borate_ratio=borate_ratio), alkalinity_umol_kg * 1e-6
    before, after = constants(salinity, from_c), constants(salinity, to_c)
    h = 10.0**-ph_total / float(total_over_free(salinity, from_c))
    share = float(bicarbonate_share(h, before))
    carbon = (alkalinity - float(alkalinity_without_carbon(h, before, water))) / share
    moved = float(solve_h(alkalinity, carbon, after, water, 1.0))
    return -log10(moved * float(total_over_free(salinity, to_c)))


def estimate_at(
    ph_total: Estimate,
    alkalinity_umol_kg: float,
    salinity: float,
    from_c: Estimate,
    to_c: float,
    borate_ratio: float = 1.0,
) -> Estimate:
    """Return the same with its standard uncertainty: of the pH, and of the temperature that it is taken from."""
    value = ph_total_at(ph_total.value, alkalinity_umol_kg, salinity, from_c.value, to_c, borate_ratio)
    warmer = from_c.value + TEMPERATURE_STEP_K
    a_kelvin = (ph_total_at(ph_total.value, alkalinity_umol_kg, salinity, warmer, to_c, borate_ratio) - value) / (
        TEMPERATURE_STEP_K
    )
    return Estimate(value, hypot(ph_total.u, a_kelvin * from_c.u))
