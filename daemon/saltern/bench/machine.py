"""The machine as the bench file and the calibrations in force describe it: its devices, its volumes, its rates."""

from saltern.bench.devices import Devices
from saltern.config.tables import BenchConfig, Pump

GAIN_SIGMAS = 3.0
"""What moved is bounded with the pump's gain three standard uncertainties off: once in 370 for a normal error."""


class Machine:
    """What every room of the bench needs to know of the hardware.

    `config` is replaced, pumps at rest, when a calibration comes into force; the vessel's heights never change then.
    """

    def __init__(self, config: BenchConfig, devices: Devices) -> None:
        self.config = config
        self.devices = devices
        vessel = config.vessel
        self.overfill_ml = vessel.volume_at_ml(vessel.overfill_switch_mm)
        self.cell_ml = vessel.volume_at_ml(vessel.conductivity_tip_mm)
        self.waste_room_ml = config.waste.container_ml - vessel.capacity_ml

    def pump(self, role: str) -> Pump:
        pump: Pump = getattr(self.config.pumps, role)
        return pump

    def rate_ml_s(self, role: str) -> float:
        return float(self.pump(role).ml_per_unit * self.devices.pumps[role].rate)

    def lapse_s(self, role: str) -> float:
        """Return how long a pump's permit may hold after its last kick."""
        return float(self.pump(role).lapse_s(self.devices.permits[role].lapse_s))

    def gain_u(self, role: str) -> float:
        """Return the fraction by which a pump may give more or less than its calibration says."""
        return float(GAIN_SIGMAS * self.pump(role).gain_u_percent / 100.0)

    def most_ml(self, role: str, volume_ml: float) -> float:
        """Return the most that a permit held for this volume could move, mL."""
        return (volume_ml + self.lapse_s(role) * self.rate_ml_s(role)) * (1.0 + self.gain_u(role))
