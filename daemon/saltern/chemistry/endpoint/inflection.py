"""Inflection: the end point is where the signal rises fastest.

The derivative dE/da at each reading comes from a local quadratic through five readings (Savitzky & Golay 1964,
Anal. Chem. 36, 1627, for uneven steps); a parabola through its three largest values gives the end point.

Bias in seawater: -5 umol/kg closed, +1 open, at 2500 umol/kg; it needs no calibration, but steps that are small
near the end point, and has none where most CO2 is gone before the end point (the two steps merge).
"""

import numpy as np

from saltern.chemistry.endpoint.curve import Conditions, Curve, EndPoint, EndPointMethod, FloatArray, Priors
from saltern.errors import CurveError

NAME = "inflection"
BIAS_U_UMOL_KG = 4.0
LEAST_DOSE = 1e-8  # mol/kg: readings closer than this are one point


def inflection(curve: Curve, conditions: Conditions, priors: Priors) -> EndPoint:
    """Find the steepest point.

    Raises
    ------
    CurveError
        Fewer than seven readings, or the steepest point is at an end of the curve.
    """
    acid = curve.titrant_g * conditions.titrant_mol_per_kg / conditions.sample_g
    distinct = np.concatenate([[True], np.diff(acid) > LEAST_DOSE])
    x, e = acid[distinct], curve.emf_mv[distinct]
    if len(x) < 7:
        raise CurveError(
            f"{len(x)} readings are too few to see where the curve is steepest",
            where=NAME,
            remedy="Take at least seven, with small doses near the end point",
        )
    slopes = np.array([_slope_at(x, e, i) for i in range(2, len(x) - 2)])
    # the carbonate curve has a first inflection near pH 8.3; the end point is the later one
    order = [i for i in range(1, len(slopes) - 1) if slopes[i] >= slopes[i - 1] and slopes[i] >= slopes[i + 1]]
    acidic = [i for i in order if e[i + 2] > e[0] + 0.45 * (e[-1] - e[0])]
    if not acidic:
        raise CurveError(
            "the curve has no steepest point inside it: it stops before its end point, or begins after it",
            where=NAME,
            remedy="Titrate from the sample's own pH to pH 3.5 or below",
        )
    top = max(acidic, key=lambda i: slopes[i])
    at = slice(top + 1, top + 4)
    a, b, _ = np.polyfit(x[at] - x[top + 2], slopes[top - 1 : top + 2], 2)
    end = x[top + 2] - (b / (2.0 * a) if a < 0.0 else 0.0)
    end = float(np.clip(end, x[top + 1], x[top + 3]))
    spacing = float(x[top + 3] - x[top + 1]) / 2.0
    doses = 0.0 if curve.dose_sd_g is None else float(np.sqrt(np.sum(curve.dose_sd_g**2)))
    by_doses = doses * conditions.titrant_mol_per_kg / conditions.sample_g
    by_noise = (priors.noise_mv or 0.1) / max(float(slopes[top]), 1e-9)
    u = 1e6 * float(np.sqrt((spacing / 4.0) ** 2 + by_doses**2 + by_noise**2))
    return EndPoint(
        method=NAME,
        alkalinity_umol_kg=end * 1e6,
        u_umol_kg=float(np.hypot(u, BIAS_U_UMOL_KG)),
        e0_mv=None,
        slope=None,
        points_used=5,
        residual_mv=0.0,
    )


def _slope_at(x: FloatArray, e: FloatArray, i: int) -> float:
    near = slice(i - 2, i + 3)
    centred = x[near] - x[i]
    scale = float(np.abs(centred).max())
    return float(np.polyfit(centred / scale, e[near], 2)[1]) / scale


METHOD = EndPointMethod(
    inflection,
    targets_ph_free=(6.0, 5.5, 5.2, 5.0, 4.85, 4.7, 4.6, 4.5, 4.4, 4.3, 4.2, 4.1, 3.95, 3.8, 3.6, 3.4),
)
"""Small steps about pH 4.5, where the signal rises fastest, and enough on either side to see that it does."""
