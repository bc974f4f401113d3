"""What a real electrode has beside Nernst's law, allowed for where a curve shows that it needs it.

A glass electrode repeats to some hundredths of a millivolt and is straight to some tenths: its noise says how it
repeats, not how straight it is. A curve that a better board takes therefore fits worse, though its end point is as
good. Two shapes are told apart from noise here, each as one unknown of the whole curve: a bend, and a part that follows
slowly. Constants of seawater that are off by what is stated of them look like a bend, and are taken up by it.

They are not allowed for in a curve that fits without them. A bend is nearly a change of the carbon and of the loss, so
a straight electrode would pay for it with half its information.
"""

import numpy as np
from numpy.typing import NDArray

from saltern.chemistry.endpoint.curve import Estimate
from saltern.chemistry.endpoint.gauss_newton import Solution
from saltern.chemistry.endpoint.reading_model import PIVOT_H, Departures, bend
from saltern.chemistry.quantities import FloatArray

BEND_MV = 1.0
"""At pH 8, against a line through pH 4 and 7 (common practice: two buffers and a third within 0.02 pH)."""

SLOW_SHARE, SLOW_LAG_S = 0.015, 60.0
"""Of a step, what follows slowly, and how slowly (assumed: seconds are the glass, minutes its hydrated layer)."""


def departures_of(emf_mv: FloatArray, time_s: FloatArray, used: NDArray[np.bool_]) -> Departures:
    """Return the departures to allow for.

    Parameters
    ----------
    emf_mv, time_s
        (n,) of all readings, mV and s: what came before those used is still felt in them.
    used
        (n,) bool, the readings that are fitted.
    """
    behind = np.zeros(len(emf_mv))
    for i in range(1, len(emf_mv)):
        faded = np.exp(-(time_s[i] - time_s[i - 1]) / SLOW_LAG_S)
        behind[i] = (behind[i - 1] + emf_mv[i - 1] - emf_mv[i]) * faded
    return Departures(BEND_MV, SLOW_SHARE * behind[used])


def bend_found(solution: Solution) -> Estimate:
    """Return the bend that a solution which allows for departures found, mV at pH 8: its mean and its u.

    The bend is an unknown of the covariance: given the residuals it has the mean of a Gaussian conditional, and what
    the fitted parameters take of it is left in its uncertainty.
    """
    p, theta = solution.readings, solution.theta
    ln_ratio = (p.emf_mv - theta[1]) / (theta[2] * p.nernst_mv)
    by_bend = solution.at.dy_de * bend(-(np.log10(PIVOT_H) + ln_ratio / np.log(10.0)))
    white = solution.whitening @ by_bend
    absorbed = solution.white_jacobian.T @ white
    told = float(white @ white - absorbed @ np.linalg.solve(solution.normal, absorbed))
    variance = BEND_MV**2
    found = variance * float(white @ solution.white_residual)
    return Estimate(found, float(np.sqrt(max(0.0, variance - variance**2 * told))))
