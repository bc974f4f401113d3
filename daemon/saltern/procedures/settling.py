"""When has the electrode settled? The signal decides, by the electrode's own lag.

After a dose the signal runs to its plateau as E + B exp(-t / lag). Once the first lag is over, plateau, remainder and
lag are fitted together, the lag with what earlier plateaus taught; the fit says how uncertain the plateau is, the lag's
uncertainty included. That is enough well before the remainder has gone. Where the signal is no such exponential, as
its residuals show, the reading waits until it is steady, or gives up and says so.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from saltern.chemistry.quantities import FloatArray

READ_EVERY_S = 1.0
FIRST_LAGS, FIRST_S = 1.0, 6.0
"""Readings count after so many lags, and not before the stirrer has mixed."""

LEAST_READINGS = 6
LEAST_LAGS, MOST_LAGS = 3.0, 12.0
MOST_S = 24.0
"""A fast electrode is given so long all the same: twelve lags of 1 s leave six readings, too few to distinguish noise
from a slope (3 of 1,500 simulated plateaus were called unsettled for that)."""

ENOUGH = 0.5
"""The plateau is known well enough at this part of the noise of one reading."""

STEADY_WINDOW = 4
MISFIT = 3.0
"""Residuals beyond so many times their variance are not those of an exponential."""

LAG_WITHIN = 0.25
"""How wrong a configured lag may be, as a part of it (1 sd), and never less than this for the last."""
LAG_DIFFERS = 0.05
TURNS = 4


@dataclass(frozen=True, slots=True)
class Lag:
    """An electrode's time constant, and the standard deviation of its logarithm."""

    lag_s: float
    within: float = LAG_WITHIN


@dataclass(frozen=True, slots=True)
class Plateau:
    """A settled signal, and what was seen on the way.

    `at_s` is the time for which `emf_mv` holds: while CO2 leaves the sample its potential drifts, and a plateau fitted
    over some seconds, by an electrode that lags, is that of a moment before the last reading.
    """

    emf_mv: float
    sd_mv: float
    at_s: float
    slope_mv_s: float  # at the end
    settled: bool
    scatter_mv: float  # of single readings about the fit
    freedom: int  # that the scatter rests on
    lag: Lag


@dataclass(frozen=True, slots=True)
class _Fit:
    holds_at_s: float  # since the dose
    emf_mv: float
    sd_mv: float
    slope_mv_s: float
    scatter_mv: float
    freedom: int
    lag: Lag


def steady_slope_mv_s(noise_mv: float, lag_s: float, readings: int) -> float:
    """Return the slope below which a signal counts as steady.

    Either it cannot be distinguished from noise (1.5 standard deviations of a regression slope over `readings`
    readings `READ_EVERY_S` apart), or what is still to come, slope times lag, is below 0.15 mV.
    """
    spread = np.sqrt(readings * (readings**2 - 1) / 12.0) * READ_EVERY_S
    return float(max(1.5 * noise_mv / spread, 0.15 / lag_s))


def wait_until_settled(
    read_emf_mv: Callable[[], tuple[float, float]],
    now_s: Callable[[], float],
    wait_until: Callable[[float], None],
    *,
    lag: Lag,
    noise_mv: float,
) -> Plateau:
    """Read until the plateau is known, and answer with it.

    Parameters
    ----------
    read_emf_mv
        Answers (signal in mV, monotonic time in s).
    now_s
        Monotonic time, s.
    wait_until
        Lets time pass until a monotonic instant, in s.
    lag
        Of the electrode, as far as known.
    noise_mv
        Standard deviation of one reading, mV, as known.
    """
    begun_s = now_s()
    first_s = max(FIRST_LAGS * lag.lag_s, FIRST_S)
    least_s, most_s = LEAST_LAGS * lag.lag_s, max(MOST_LAGS * lag.lag_s, MOST_S)
    times: list[float] = []
    signals: list[float] = []
    count = 0
    while True:
        signal, at_s = read_emf_mv()
        count += 1
        if at_s - begun_s >= first_s:
            times.append(at_s - begun_s)
            signals.append(signal)
        if len(times) >= LEAST_READINGS and at_s - begun_s >= least_s:
            fitted = _fit(np.array(times), np.array(signals), lag, noise_mv)
            exponential = fitted.scatter_mv**2 < MISFIT * noise_mv**2
            if exponential and fitted.sd_mv <= ENOUGH * noise_mv:
                return _plateau(fitted, begun_s + fitted.holds_at_s)
            if at_s - begun_s >= most_s:
                return _last_resort(np.array(times), np.array(signals), at_s, lag, noise_mv)
        wait_until(begun_s + READ_EVERY_S * count)


def _fit(t: np.ndarray, e: np.ndarray, lag: Lag, noise_mv: float) -> _Fit:
    """Fit plateau, remainder and lag; times in s since the dose."""
    ln_lag, prior = float(np.log(lag.lag_s)), (noise_mv / max(lag.within, LAG_DIFFERS)) ** 2
    theta = np.array([e[-1], 0.0, ln_lag])
    for _ in range(TURNS):
        left = np.exp(-t / np.exp(theta[2]))
        columns = np.column_stack([np.ones_like(t), left, theta[1] * left * t / np.exp(theta[2])])
        off = e - theta[0] - theta[1] * left
        normal = columns.T @ columns
        normal[2, 2] += prior
        gradient = columns.T @ off
        gradient[2] -= prior * (theta[2] - ln_lag)
        theta = theta + np.linalg.solve(normal, gradient)
        theta[2] = min(max(theta[2], ln_lag - 1.0), ln_lag + 1.0)
    left = np.exp(-t / np.exp(theta[2]))
    off = e - theta[0] - theta[1] * left
    inverse = np.linalg.inv(normal)
    freedom = max(1, len(t) - 2)
    lag_s = float(np.exp(theta[2]))
    return _Fit(
        holds_at_s=float(inverse[0] @ columns.T @ t) - lag_s,  # the answer to a slow drift, linear in the readings
        emf_mv=float(theta[0]),
        sd_mv=float(noise_mv * np.sqrt(inverse[0, 0])),
        slope_mv_s=float(-theta[1] * left[-1] / np.exp(theta[2])),
        scatter_mv=float(np.sqrt(off @ off / freedom)),
        freedom=freedom,
        lag=Lag(lag_s, float(noise_mv * np.sqrt(inverse[2, 2]))),
    )


def _plateau(f: _Fit, at_s: float) -> Plateau:
    return Plateau(f.emf_mv, f.sd_mv, at_s, f.slope_mv_s, True, f.scatter_mv, f.freedom, f.lag)


def _last_resort(t: np.ndarray, e: np.ndarray, at_s: float, lag: Lag, noise_mv: float) -> Plateau:
    """Answer with the mean of the last readings, settled if they are at least steady."""
    window = max(STEADY_WINDOW, min(10, round(lag.lag_s)))
    t, e = t[-window:] - t[-1], e[-window:]
    slope, intercept = np.polyfit(t, e, 1)
    scatter = float(np.std(e - (intercept + slope * t), ddof=2))
    last = e[-STEADY_WINDOW:]
    sd = max(scatter, noise_mv) / float(np.sqrt(len(last)))
    steady = abs(float(slope)) < steady_slope_mv_s(noise_mv, lag.lag_s, window)
    freedom = max(1, len(e) - 2)
    return Plateau(float(np.mean(last)), sd, at_s, float(slope), bool(steady), scatter, freedom, lag)


LAGS_S = np.geomspace(0.3, 120.0, 300)
"""The time constants that are tried, each 2 % longer than the one before."""

SURELY_FELL = 30.0
"""A fall of so many times the noise, seen from its beginning, says how fast it was within some percent."""


def time_constant_s(times_s: FloatArray, signals_mv: FloatArray) -> float | None:
    """Return the time constant with which a signal has run to its plateau; None where too little of that was seen.

    Nothing is supposed of it: E + B exp(-t / lag) is fitted for each of `LAGS_S`, and the best is taken.

    Parameters
    ----------
    times_s, signals_mv
        Readings from soon after the electrode was put into another liquid until it was steady, shapes (n,).
    """
    if len(times_s) < LEAST_READINGS:
        return None
    t = times_s - times_s[0]
    left = np.exp(-t / LAGS_S[:, None])
    centred = left - left.mean(axis=1, keepdims=True)
    falls = centred @ signals_mv / np.sum(centred**2, axis=1)
    off = (signals_mv - signals_mv.mean()) - falls[:, None] * centred
    best = int(np.argmin(np.sum(off**2, axis=1)))
    noise_mv = float(np.sqrt(np.mean(np.diff(signals_mv[len(t) // 2 :], 2) ** 2) / 6.0))
    if abs(falls[best]) < SURELY_FELL * noise_mv or best in (0, len(LAGS_S) - 1):
        return None
    return float(LAGS_S[best])
