"""The load cell under the vessel: gain, drift, creep, noise, the pull of tubes, the stirrer's vibration."""

from dataclasses import dataclass
from math import exp

import numpy as np

CREEP_S = 300.0
TARE_G = 312.0  # vessel, stirrer and probe holder


@dataclass
class Balance:
    """A load cell, its errors as `instruments.Errors` draws them."""

    gain: float  # factor on every mass
    noise_g: float
    drift_g_per_h: float
    creep: float  # share of a load that shows only in minutes
    tube_g: float  # the tubes' pull differs by this from one pumping to the next
    vibration_g: float  # at full speed of the stirrer
    random: np.random.Generator
    g_per_count: float = 1e-4
    at_s: float = 0.0
    slow_g: float = TARE_G
    pull_g: float = 0.0
    laid_on_g: float = 0.0  # by somebody's hands: another probe, a tube hung otherwise

    def advance(self, to_s: float, mass_g: float) -> None:
        """Let the cell give way to what lies on it."""
        load_g = TARE_G + self.laid_on_g + mass_g
        self.slow_g = load_g + (self.slow_g - load_g) * exp(-(to_s - self.at_s) / CREEP_S)
        self.at_s = to_s

    def jolt(self) -> None:
        """A pump has turned: its tube pulls a little differently now."""
        self.pull_g = self.random.normal(0.0, self.tube_g)

    def read(self, mass_g: float, stirrer: float) -> float:
        """Return what the converter sees, g."""
        load_g = (1.0 - self.creep) * (TARE_G + self.laid_on_g + mass_g) + self.creep * self.slow_g
        scatter_g = self.noise_g + self.vibration_g * stirrer
        drift_g = self.drift_g_per_h * self.at_s / 3600.0
        return self.gain * load_g + drift_g + self.pull_g + self.random.normal(0.0, scatter_g)
