"""The glass electrode: Nernst with a slope and an offset of its own, a lag, drift, noise; wandering in air."""

from dataclasses import dataclass
from math import exp, log

import numpy as np

GAS_OVER_FARADAY_MV = 1000.0 * 8.314462618 / 96485.33212  # CODATA 2018
NEUTRAL_NBS_TO_FREE_PH = 0.03
"""In seawater the mean electrode of a dilute-buffer calibration lies this far above the free scale; each electrode's
own junction shift is part of its offset error (common practice: some hundredths of pH)."""


@dataclass
class Electrode:
    """An electrode whose signal rises with acid."""

    e7_mv: float  # as the bench file believes it
    slope: float  # as the bench file believes it, fraction of Nernst
    offset_error_mv: float
    slope_error: float  # factor
    drift_mv_per_s: float
    lag_s: float
    noise_mv: float
    random: np.random.Generator
    signal_mv: float = 0.0
    target_mv: float = 0.0
    at_s: float = 0.0
    wet: bool = True
    frozen: bool = False
    disconnected_since_s: float | None = None
    extra_noise_mv: float = 0.0
    slope_loss: float = 1.0
    fault_drift_mv_per_s: float = 0.0
    fault_drift_mv: float = 0.0
    junction_mv: float = 0.0  # the part of offset_error_mv that shows in salt water and not in buffers

    def aim(self, ph_free: float, temperature_c: float) -> None:
        """Set where the signal goes: the potential at this free pH, on the NBS-like scale of its calibration."""
        per_ph = GAS_OVER_FARADAY_MV * (temperature_c + 273.15) * log(10.0)
        slope = self.slope * self.slope_error * self.slope_loss
        self.target_mv = self.e7_mv + self.offset_error_mv + per_ph * slope * (7.0 - ph_free - NEUTRAL_NBS_TO_FREE_PH)

    def aim_buffer(self, ph_nbs: float, temperature_c: float) -> None:
        """Set where the signal goes in a buffer."""
        per_ph = GAS_OVER_FARADAY_MV * (temperature_c + 273.15) * log(10.0)
        slope = self.slope * self.slope_error * self.slope_loss
        self.target_mv = self.e7_mv + self.offset_error_mv - self.junction_mv + per_ph * slope * (7.0 - ph_nbs)

    def advance(self, to_s: float) -> None:
        elapsed_s, self.at_s = to_s - self.at_s, to_s
        if elapsed_s <= 0.0:
            return
        self.fault_drift_mv += self.fault_drift_mv_per_s * elapsed_s
        if self.frozen:
            return
        aim = self.target_mv if self.wet else self.e7_mv + 200.0
        self.signal_mv = aim + (self.signal_mv - aim) * exp(-elapsed_s / self.lag_s)

    def read(self) -> float:
        """Return the signal at this instant, mV, with noise."""
        if self.disconnected_since_s is not None:
            away = 1.0 - exp(-(self.at_s - self.disconnected_since_s) / 20.0)
            return self.signal_mv + (900.0 - self.signal_mv) * away + self.random.normal(0.0, 5.0)
        if self.frozen:
            return self.signal_mv
        noise = self.noise_mv + self.extra_noise_mv if self.wet else 15.0
        drift = self.drift_mv_per_s * self.at_s + self.fault_drift_mv
        return self.signal_mv + drift + self.random.normal(0.0, noise)
