"""What a real electrode has beside Nernst's law, allowed for where it is known and a curve shows that it needs it.

A glass electrode repeats to some hundredths of a millivolt and is straight to some tenths: its noise says how it
repeats, not how straight it is. A curve that a better board takes therefore fits worse, though its end point is as
good. Two shapes are distinguished from noise here, each as one unknown of the whole curve: a bend, and a part that
follows slowly. Constants of seawater that are off by what is stated of them look like a bend, and are taken up by it.

What a reference shows of an electrode is known of it. Of a tank's curve alone it is not: a bubble at the conductivity
cell, and air in the titrant, look like a bend, too.

Nothing is allowed for in a curve that fits as it is. A bend is nearly a change of the carbon and of the loss, so a
straight electrode would pay for it with half its information.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from saltern.chemistry.endpoint.curve import Estimate
from saltern.chemistry.endpoint.gauss_newton import Solution
from saltern.chemistry.endpoint.reading_model import Departures, Readings, bend, ph_free
from saltern.chemistry.quantities import FloatArray

ANY_BEND_MV = Estimate(0.0, 1.0)
"""At pH 8, against a line through pH 4 and 7 (common practice: two buffers and a third within 0.02 pH)."""

SLOW_SHARE, SLOW_LAG_S = 0.015, 60.0
"""Of a step, what follows slowly, and how slowly (assumed: seconds are the glass, minutes its hydrated layer)."""


def departures_of(emf_mv: FloatArray, time_s: FloatArray, used: NDArray[np.bool_], bend_u_mv: float) -> Departures:
    """Return the departures to allow for.

    Parameters
    ----------
    emf_mv, time_s
        (n,) of all readings, mV and s: what came before those used is still felt in them.
    used
        (n,) bool, the readings that are fitted.
    bend_u_mv
        Standard uncertainty of the bend.
    """
    behind = np.zeros(len(emf_mv))
    for i in range(1, len(emf_mv)):
        faded = np.exp(-(time_s[i] - time_s[i - 1]) / SLOW_LAG_S)
        behind[i] = (behind[i - 1] + emf_mv[i - 1] - emf_mv[i]) * faded
    return Departures(bend_u_mv, SLOW_SHARE * behind[used])


def straightened(solution: Solution, departures: Departures, bend_mv: float) -> Readings:
    """Return the readings without a known bend, mV at pH 8, and with what is not known of it allowed for."""
    readings = solution.readings
    return replace(
        readings,
        emf_mv=readings.emf_mv - bend_mv * bend(ph_free(solution.readings, solution.theta)),
        departures=departures,
    )


def bend_beyond(solution: Solution, bend_u_mv: float) -> Estimate:
    """Return the bend that a solution which allows for `bend_u_mv` found beyond the known one, mV at pH 8.

    The bend is an unknown of the covariance: given the residuals it has the mean of a Gaussian conditional, and what
    the fitted parameters take of it is left in its uncertainty.
    """
    by_bend = solution.at.dy_de * bend(ph_free(solution.readings, solution.theta))
    white = solution.whitening @ by_bend
    absorbed = solution.white_jacobian.T @ white
    learnt = float(white @ white - absorbed @ np.linalg.solve(solution.normal, absorbed))
    variance = bend_u_mv**2
    found = variance * float(white @ solution.white_residual)
    return Estimate(found, float(np.sqrt(max(0.0, variance - variance**2 * learnt))))
