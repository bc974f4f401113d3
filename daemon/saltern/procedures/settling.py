"""When has the electrode settled? The signal decides, within bounds set by the electrode's own lag."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

READ_EVERY_S = 1.0
PLATEAU_READINGS = 4
LEAST_LAGS = 4.0
LEFT_OF_NOISE = 0.2  # what may be left of the step, by the electrode's lag, in standard deviations of a reading
MOST_LAGS = 12.0


@dataclass(frozen=True, slots=True)
class Plateau:
    """A settled signal: mean of the last readings, its standard deviation, and when it was taken."""

    emf_mv: float
    sd_mv: float
    at_s: float
    slope_mv_s: float
    settled: bool


def steady_slope_mv_s(noise_mv: float, lag_s: float, readings: int) -> float:
    """Return the slope below which a signal counts as steady.

    Either it cannot be told from noise (1.5 standard deviations of a regression slope over `readings`
    readings `READ_EVERY_S` apart), or what is still to come, slope times lag, is below 0.15 mV.
    """
    spread = np.sqrt(readings * (readings**2 - 1) / 12.0) * READ_EVERY_S
    return float(max(1.5 * noise_mv / spread, 0.15 / lag_s))


def wait_until_settled(
    read_emf_mv: Callable[[], tuple[float, float]],
    now_s: Callable[[], float],
    wait_until: Callable[[float], None],
    *,
    lag_s: float,
    noise_mv: float,
) -> Plateau:
    """Read until the signal is steady, and answer with the plateau.

    Parameters
    ----------
    read_emf_mv
        Answers (signal in mV, monotonic time in s).
    now_s
        Monotonic time, s.
    wait_until
        Lets time pass until a monotonic instant, in s.
    lag_s
        Time constant of the electrode, s.
    noise_mv
        Standard deviation of one reading, mV, as known; the plateau's own scatter replaces it when larger.
    """
    window = max(PLATEAU_READINGS, min(10, round(lag_s)))
    least = max(window, round(LEAST_LAGS * lag_s / READ_EVERY_S))
    most = max(least + window, round(MOST_LAGS * lag_s / READ_EVERY_S))
    steady = steady_slope_mv_s(noise_mv, lag_s, window)
    times: list[float] = []
    signals: list[float] = []
    begun_s = now_s()
    while True:
        signal, at_s = read_emf_mv()
        times.append(at_s)
        signals.append(signal)
        step = max(abs(earlier - signal) for earlier in signals)
        if at_s - times[0] >= lag_s * np.log(max(step, 1e-9) / (LEFT_OF_NOISE * noise_mv)) and len(signals) >= least:
            t = np.array(times[-window:])
            e = np.array(signals[-window:])
            slope, intercept = np.polyfit(t - t[-1], e, 1)
            settled = abs(slope) < steady
            if settled or len(signals) >= most:
                scatter = float(np.std(e - (intercept + slope * (t - t[-1])), ddof=2)) if window > 2 else noise_mv
                last = e[-PLATEAU_READINGS:]
                sd = np.hypot(max(scatter, noise_mv) / np.sqrt(len(last)), LEFT_OF_NOISE * noise_mv)
                return Plateau(float(np.mean(last)), float(sd), times[-1], float(slope), bool(settled))
        wait_until(begun_s + READ_EVERY_S * len(times))
