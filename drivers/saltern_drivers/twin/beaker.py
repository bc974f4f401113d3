"""A beaker beside the vessel, with a buffer or a conductivity standard, into which a keeper puts the probes."""

from collections.abc import Callable
from dataclasses import dataclass
from math import exp

PROBE_S = 15.0  # a probe takes up the liquid's temperature so fast
BEAKER_S = 2400.0  # and the beaker the room's


@dataclass
class Beaker:
    """What stands in it. A liquid is a buffer, or conducts, or is water for a thermometer."""

    ph_nbs: Callable[[float], float] | None = None  # of a dilute buffer, by temperature
    ph_free: Callable[[float], float] | None = None  # of a buffer in seawater
    conductivity_ms_cm: Callable[[float], float] | None = None
    temperature_c: float = 24.0
    room_c: float = 24.0
    probe_c: float = 24.0  # what the temperature probe feels
    bubble: float = 1.0  # factor of a bubble at the cell
    bubble_rattles: float = 0.0  # its scatter
    at_s: float = 0.0

    def advance(self, to_s: float) -> None:
        elapsed_s, self.at_s = to_s - self.at_s, to_s
        self.temperature_c = self.room_c + (self.temperature_c - self.room_c) * exp(-elapsed_s / BEAKER_S)
        self.probe_c = self.temperature_c + (self.probe_c - self.temperature_c) * exp(-elapsed_s / PROBE_S)
