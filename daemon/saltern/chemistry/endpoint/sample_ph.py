"""The sample's own pH, from the electrode that its titration fitted."""

import numpy as np

from saltern.chemistry.electrode import nernst_mv
from saltern.chemistry.endpoint.curve import Conditions, Curve, EndPoint, Estimate
from saltern.errors import CurveError


def initial_ph_total(curve: Curve, end_point: EndPoint, conditions: Conditions) -> Estimate:
    """Return the sample's pH, total scale, from the electrode that the titration itself fitted in that water.

    The first reading must be that of the sample before any acid. Its uncertainty is that of the fitted offset and
    slope, which are strongly correlated, and of the reading.

    Raises
    ------
    CurveError
        The method fitted no electrode, or the first reading comes after acid.
    """
    if end_point.e0_mv is None or end_point.slope is None or curve.titrant_g[0] > 0.0:
        raise CurveError(
            "the sample's pH needs a reading before any acid, and a method that fits the electrode",
            where=end_point.method,
            remedy="Use least-squares or sop3b, and begin the curve without titrant",
        )
    per_ph_ideal = float(nernst_mv(curve.temperature_c[:1])[0]) * np.log(10.0)
    mv_per_ph = per_ph_ideal * end_point.slope
    ph = (end_point.e0_mv - float(curve.emf_mv[0])) / mv_per_ph
    by_e0, by_slope = 1.0 / mv_per_ph, -ph / end_point.slope
    e0_u, slope_u = end_point.e0_u_mv or 0.0, end_point.slope_u or 0.0
    variance = (by_e0 * e0_u) ** 2 + (by_slope * slope_u) ** 2
    variance += 2.0 * by_e0 * by_slope * (end_point.e0_slope_covariance or 0.0)
    noise = 0.0 if curve.emf_sd_mv is None else float(curve.emf_sd_mv[0]) / mv_per_ph
    return Estimate(float(ph), float(np.sqrt(max(0.0, variance) + noise**2)))
