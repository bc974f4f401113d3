"""How long a run-permit holds when nobody kicks it any more: measured by what still moves then.

In a drained vessel the volume that wets the dry cell is a measure that needs no height and no calibration. Once it is
learned with the pump permitted all the time; from then on some runs begin permitted and go on without a kick. What they
gave beyond what was permitted is missing at the end: that, by the pump's own rate, is the lapse.
"""

from saltern.bench.adding import Adding
from saltern.bench.draining import Draining
from saltern.bench.guard import Guard
from saltern.bench.machine import Machine
from saltern.bench.motion import Motion
from saltern.bench.reading import Readings
from saltern.bench.waiting import Waiting
from saltern.errors import MotionError

COASTS = 4
"""Runs that go on without a kick: four lapses of 0.5 s are a third of what wets the cell of the example benches."""

RUN_UP_S = 0.4
"""A stepper has reached its rate by then (`acceleration_steps_per_s2`), and a DC pump its own (assumed)."""

COAST_LAPSES = 5.0
"""A drive is on for so many stated lapses after the last kick: one that lasts longer counts as so long."""

STEPS, MOST_STEPS = 16, 32
"""What should wet the cell is given in so many steps, and in twice as many at most: heights are set with a rule."""

FALLS_S = 0.5
"""The last drops fall, and the cell sees them."""

STATED_U = 0.25
"""Standard uncertainty of a stated lapse, of itself: a one-shot's resistor and capacitor, aged and cold (assumed)."""

WETS_U = 0.04
"""Standard uncertainty of the volume that wets the cell, of itself: a step's width, and residue from drain to drain."""


class Lapse:
    """Measures the sample pump's permit; remembers what wets the cell."""

    def __init__(
        self,
        machine: Machine,
        guard: Guard,
        waiting: Waiting,
        readings: Readings,
        motion: Motion,
        adding: Adding,
        draining: Draining,
    ) -> None:
        self._machine = machine
        self._guard = guard
        self._waiting = waiting
        self._readings = readings
        self._motion = motion
        self._adding = adding
        self._draining = draining
        self._wets: float | None = None  # native units of the drive, from a drained vessel
        self.measured_s: float | None = None

    def prove(self) -> bool:
        """Measure the lapse in a drained vessel; one that is too long is measured once more against a fresh measure.

        The first time what wets the cell is learned, and the vessel drained. Nothing is done where the cell is wet, or
        where the vessel's bound leaves no room for it.

        Returns
        -------
        bool
            Whether the vessel's content is known still; not, where a drain was not proved.

        Raises
        ------
        MotionError
            The permit held longer than stated, by more than the uncertainty. The trip is latched.
        """
        if self._readings.cell_is_wet() or not self._fits():
            return True
        if self._wets is None:
            self._wets = self._until_wet(coasts=0)
            if self._wets is None:
                return True
            if not self._drained():
                return False
        permitted = self._until_wet(coasts=COASTS)
        if permitted is None or not self._too_long(self._wets - permitted):
            return True
        if not self._drained():
            return False
        self._wets = self._until_wet(coasts=0)  # what is left in the vessel may have changed
        if self._wets is None or not self._too_long(self._wets - permitted):
            return True
        self._guard.trip("permit_slow")
        stated_s = self._machine.lapse_s("sample")
        raise MotionError(
            f"the sample pump's run-permit held for {self.measured_s:.1f} s after its last kick, "
            f"and {stated_s:g} s are stated",
            where=f"{self._machine.config.name}, pumps.sample.permit",
            remedy="Repair its one-shot, or measure what it has: saltern bring-up permits; then run `saltern reset`",
        )

    def _too_long(self, missing: float) -> bool:
        """Return whether what is missing says that the permit holds too long, by more than the uncertainty."""
        rate, stated_s = self._machine.devices.pumps["sample"].rate, self._machine.lapse_s("sample")
        self.measured_s = missing / (COASTS * rate)
        wets_s = 0.0 if self._wets is None else self._wets / (COASTS * rate)
        return self.measured_s > stated_s * (1.0 + STATED_U) + 3.0 * WETS_U * wets_s

    def _until_wet(self, *, coasts: int) -> float | None:
        """Return the units that were permitted until the cell was wet; None where it stayed dry.

        The line holds the same air before and after, so that one measure can be held against another.
        """
        with self._adding.stage("lapse of sample", sample_ml=self._most_ml(coasts) + self._air_ml):
            permitted = self._pump_until_wet(coasts)
            self._break_the_line()
        return permitted

    def _pump_until_wet(self, coasts: int) -> float | None:
        machine, permitted, step = self._machine, 0.0, self._step()
        coast_s = RUN_UP_S + COAST_LAPSES * machine.lapse_s("sample")
        for _ in range(coasts):
            coast = self._motion.coast("sample", coast_s * machine.devices.pumps["sample"].rate, RUN_UP_S)
            permitted += coast.at_last_kick
            if self._wet():
                return permitted
        for _ in range(MOST_STEPS):
            self._motion.turn("sample", step)
            permitted += step
            if self._wet():
                return permitted
        return None

    @property
    def _air_ml(self) -> float:
        """What a fill draws back, so that the line's end holds air."""
        return self._machine.config.sample.air_break_ml if self._machine.devices.pumps["sample"].reversible else 0.0

    def _break_the_line(self) -> None:
        if self._air_ml > 0.0:
            self._adding.draw_back("sample", self._air_ml)

    def _drained(self) -> bool:
        """Cover the cell, so that falling dry and failing can be distinguished, and drain; return if proved."""
        covers_ml = self._machine.cell_ml + self._air_ml
        with self._adding.stage("cover the cell", sample_ml=covers_ml + self._air_ml):
            self._adding.add("sample", covers_ml)
            self._break_the_line()
        return self._draining.drain().proved

    def _wet(self) -> bool:
        self._waiting.wait(FALLS_S)
        return self._readings.cell_is_wet()

    def _step(self) -> float:
        machine = self._machine
        step = (machine.cell_ml - machine.config.vessel.residue_ml) / STEPS / machine.pump("sample").ml_per_unit
        return float(round(step)) if machine.devices.pumps["sample"].unit == "steps" else step

    def _most_ml(self, coasts: int) -> float:
        """Return the most that may move: each run as if its permit held to the end, and for a lapse beyond."""
        machine = self._machine
        lapse_s, rate_ml_s = machine.lapse_s("sample"), machine.rate_ml_s("sample")
        coast_ml = rate_ml_s * (RUN_UP_S + (COAST_LAPSES + 1.0) * lapse_s)
        steps_ml = MOST_STEPS * (self._step() * machine.pump("sample").ml_per_unit + lapse_s * rate_ml_s)
        return coasts * coast_ml + steps_ml

    def _fits(self) -> bool:
        """Return whether there is room for it in a drained vessel, and for what covers the cell on top of it."""
        machine = self._machine
        most_ml = machine.most_ml("sample", self._most_ml(COASTS) + self._air_ml)
        most_ml += machine.most_ml("sample", machine.cell_ml + 2.0 * self._air_ml)
        return machine.cell_ml + most_ml <= machine.overfill_ml
