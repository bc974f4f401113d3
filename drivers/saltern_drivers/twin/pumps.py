"""Pump heads as the wire sees them: a drive that turns, a permit that holds the supply, a gain that is a little off."""

from dataclasses import dataclass, field
from math import cos, pi, sqrt

import numpy as np


@dataclass(slots=True)
class Train:
    """Pulses evenly spread over a time."""

    begins_s: float
    ends_s: float
    pulses: int


@dataclass
class PumpHead:
    """One head, driven by pulses or by power.

    `advance` turns what happened on the wire since the last call into liquid. Everything is in plain floats: it is
    called at every instant of a run.
    """

    name: str
    ml_per_unit: float  # true volume of a step, or of a second at full power
    walk_ml: float  # scatter of 1 mL, growing with the square root of the volume
    repeatability: float  # of one motion against the next
    lapse_s: float  # of the permit's one-shot
    random: np.random.Generator
    power: float = 0.0  # duty of a timed head
    enabled: bool = True  # of a stepper
    reverse: bool = False
    trains: list[Train] = field(default_factory=list)
    permitted_until_s: float = -1.0
    kicked_s: float = -1.0  # when its permit, or its drive, was last seen to rise
    driven_s: float = -1.0
    at_s: float = 0.0
    motion_factor: float = 1.0
    still_since_s: float = -10.0
    stalled: bool = False
    runaway: bool = False
    permit_stuck: bool = False
    gain_shift: float = 0.0
    passes: float = 1.0  # share of what it turns, or should turn, that moves liquid
    direction_dead: bool = False  # its direction wire hangs loose: it turns forward
    last_moved_s: float = -1.0
    nominal_units_s: float = 1.0  # what a shorted drive turns at
    ripple: float = 0.0  # amplitude of the flow's pulsation, share of the mean
    ripple_units: float = 1.0  # from roller to roller
    turned_units: float = 0.0  # where the rollers stand

    def moving(self) -> bool:
        """Return whether liquid may move before the wire is touched again."""
        return self.power > 0.0 or self.runaway or bool(self.trains)

    def turns(self, at_s: float) -> bool:
        """Return whether its motor has current at this time."""
        driven = self.runaway or self.power > 0.0 or any(train.begins_s <= at_s < train.ends_s for train in self.trains)
        return driven and (self.permit_stuck or at_s < self.permitted_until_s)

    def advance(self, to_s: float) -> float:
        """Return the volume moved since the last call, mL; negative where the head turned backwards."""
        from_s, self.at_s = self.at_s, to_s
        if not (self.power > 0.0 or self.trains or self.runaway):
            return 0.0
        lit_s = to_s if self.permit_stuck else min(to_s, self.permitted_until_s)
        units = 0.0
        if self.runaway:
            units = self.nominal_units_s * max(0.0, lit_s - from_s)
        elif self.power > 0.0:
            units = self.power * max(0.0, lit_s - from_s)
        if self.trains:
            sent = 0.0
            for train in self.trains:
                overlap = min(lit_s, train.ends_s) - max(from_s, train.begins_s)
                if overlap > 0.0:
                    sent += train.pulses * overlap / (train.ends_s - train.begins_s)
            if self.trains[0].ends_s <= to_s:
                self.trains = [train for train in self.trains if train.ends_s > to_s]
            if self.enabled and not self.runaway:
                units += sent
        if units <= 0.0:
            return 0.0
        if from_s - self.still_since_s > 2.0:
            self.motion_factor = 1.0 + self.random.normal(0.0, self.repeatability)
        self.still_since_s = to_s
        if self.stalled:
            return 0.0
        self.last_moved_s = to_s
        if self.ripple:
            units = self._pulsed(units)
        volume = units * self.ml_per_unit * (1.0 + self.gain_shift) * self.motion_factor * self.passes
        volume = max(0.0, volume + self.walk_ml * sqrt(volume) * self.random.standard_normal())
        return -volume if self.reverse and not self.runaway and not self.direction_dead else volume

    def _pulsed(self, units: float) -> float:
        """Return the units that this much turning amounts to, as the rollers stand: the integral of 1 + a sin."""
        per_radian = self.ripple_units / (2.0 * pi)
        from_phase = self.turned_units / per_radian
        self.turned_units += -units if self.reverse else units
        to_phase = self.turned_units / per_radian
        return max(0.0, units + self.ripple * per_radian * (cos(from_phase) - cos(to_phase)))

    # Pulses ---------------------------------------------------------------------

    def send(self, begins_s: float, pulses: int, period_s: float) -> None:
        """Take pulses that begin at that time, or when those before them end."""
        begins_s = max(begins_s, self.trains[-1].ends_s) if self.trains else begins_s
        self.driven_s = begins_s
        self.trains.append(Train(begins_s, begins_s + pulses * period_s, pulses))

    def cancel(self, now_s: float) -> None:
        """Drop what waits, and cut what is under way at the pulse it has come to."""
        kept = []
        for train in self.trains:
            if train.begins_s < now_s < train.ends_s:
                share = (now_s - train.begins_s) / (train.ends_s - train.begins_s)
                kept.append(Train(train.begins_s, now_s, round(train.pulses * share)))
            elif train.ends_s <= now_s:
                kept.append(train)
        self.trains = kept
