"""Adding sample and titrant: within a stage, whose whole volume was put on the disk before a pump turned."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

from saltern.bench import bookkeeping
from saltern.bench.account import Account
from saltern.bench.commits import Commits
from saltern.bench.machine import Machine
from saltern.bench.motion import Motion
from saltern.bench.reading import Readings
from saltern.bench.under_way import UnderWay
from saltern.errors import InterlockError, MotionError
from saltern.model.ledger import Interval
from saltern.ports import Clock, Direction, MisuseError

ROUNDING_ML = 1e-9
"""What sums of doses may differ by in binary from what a stage promised."""


class Adding:
    """Owns what the open stage has promised, and what of it is left."""

    def __init__(
        self,
        machine: Machine,
        clock: Clock,
        readings: Readings,
        under_way: UnderWay,
        motion: Motion,
        account: Account,
        commits: Commits,
    ) -> None:
        self._machine = machine
        self._clock = clock
        self._readings = readings
        self._under_way = under_way
        self._motion = motion
        self._account = account
        self._commits = commits
        self._promise: dict[str, float] = {}
        self.promised_high_ml = 0.0  # of the vessel, while a stage is open

    @contextmanager
    def stage(
        self, name: str, *, sample_ml: float = 0.0, titrant_ml: float = 0.0, needs: str | None = None
    ) -> Iterator[None]:
        """Open a stage: commit the whole volume that it may move, pumps at rest; afterwards, what moved.

        Parameters
        ----------
        name
            For the records.
        sample_ml, titrant_ml
            The most that the stage will ask of each pump.
        needs
            A probe whose reading must not grow stale during the stage.

        Raises
        ------
        InterlockError
            The vessel's upper bound and what may be added do not fit below the overfill float.
        """
        with self._staged(name, sample_ml, titrant_ml, needs, "the overfill float acts", self._machine.overfill_ml):
            yield

    @contextmanager
    def stage_below_the_spout(self, name: str, *, sample_ml: float) -> Iterator[None]:
        """Open a stage for a little sample by which a cell that is dry may be seen to be wetted, and then to fall dry.

        It may reach above the float's level by the bound, and never the spout: if the vessel were as full as the bound
        says, the float would stop it, and without the float it would not overflow.

        Raises
        ------
        InterlockError
            The vessel's upper bound and what may be added do not fit below the spout.
        """
        capacity_ml = self._machine.config.vessel.capacity_ml
        with self._staged(name, sample_ml, 0.0, None, "the vessel overflows", capacity_ml):
            yield

    @contextmanager
    def _staged(
        self, name: str, sample_ml: float, titrant_ml: float, needs: str | None, happens: str, at_ml: float
    ) -> Iterator[None]:
        machine, account = self._machine, self._account
        sample_most_ml = machine.most_ml("sample", sample_ml) if sample_ml > 0.0 else 0.0
        titrant_most_ml = machine.most_ml("titrant", titrant_ml) if titrant_ml > 0.0 else 0.0
        promised = bookkeeping.promised(account.ledger, name, sample_most_ml, titrant_most_ml)
        if promised.vessel_ml.high > at_ml:
            raise InterlockError(
                f"the vessel may hold {account.ledger.vessel_ml.high:.0f} mL, and {name} may add "
                f"{sample_most_ml + titrant_most_ml:.0f} mL; {happens} at {at_ml:.0f} mL",
                where=f"{self._machine.config.name}, {name}",
                remedy="Run `saltern empty`: the vessel must be proved empty first",
                interlock="volume-bound",
            )
        if account.must_prove and (titrant_ml > 0.0 or self._readings.cell_is_wet()):
            raise InterlockError(
                f"{account.found}, and what it holds is not proved",
                where=f"{self._machine.config.name}, {name}",
                remedy="Run `saltern empty`: the vessel must be proved empty first",
                interlock="volume-bound",
            )
        self._commits.promise(promised, name)
        account.ledger = replace(account.ledger, stage=name)
        self._promise = {"sample": sample_ml, "titrant": titrant_ml}
        self.promised_high_ml = promised.vessel_ml.high
        self._under_way.need(needs, self._clock.monotonic())
        try:
            yield
        finally:
            self._promise, self.promised_high_ml = {}, 0.0
            self._under_way.need(None, self._clock.monotonic())
            account.ledger = replace(account.ledger, stage=None)
            self._commits.settle(account.ledger, f"{name} ended")

    def add(self, role: str, volume_ml: float) -> Interval:
        """Add sample or titrant to the vessel, within an open stage.

        Returns
        -------
        Interval
            What was moved, mL, by the calibration and its uncertainty.

        Raises
        ------
        InterlockError
            An interlock forbade or stopped it.
        MotionError
            The drive stopped short. What it gave and does not vouch for is in `doubted`.
        MisuseError
            More than the stage promised.
        """
        self._take_of_the_promise(role, volume_ml)
        return self._motion.turn(role, volume_ml / self._machine.pump(role).ml_per_unit).moved_ml

    def _take_of_the_promise(self, role: str, volume_ml: float) -> None:
        left_ml = self._promise.get(role, 0.0)
        if volume_ml > left_ml + ROUNDING_ML:
            raise MisuseError(
                f"{volume_ml:.3f} mL of {role} is more than the {left_ml:.3f} mL left of what the stage promised",
                where=f"{self._machine.config.name}, bench",
                remedy="Open a stage that promises it",
            )
        self._promise[role] = left_ml - volume_ml

    def collect(self, role: str, volume_ml: float) -> float:
        """Pump into a container that is held under the line's end; return the native units turned.

        The ledger counts it as if it had gone into the vessel: nobody but the keeper knows where the end hangs.
        """
        doubted = self._motion.doubted
        drive, pump = self._machine.devices.pumps[role], self._machine.pump(role)
        units = volume_ml / pump.ml_per_unit
        units = float(round(units)) if drive.unit == "steps" else units
        sample_ml, titrant_ml = (units * pump.ml_per_unit if adds == role else 0.0 for adds in ("sample", "titrant"))
        doubted.pop(role, None)
        with self.stage(f"collect {role}", sample_ml=sample_ml, titrant_ml=titrant_ml):
            self._motion.turn(role, units)
        if role in doubted:
            raise MotionError(
                f"up to {doubted[role].most_ml:.2g} mL may be missing: {doubted[role].why}",
                where=f"{self._machine.config.name}, pumps.{role}",
                remedy="Check what else this computer does, and do it again",
            )
        return units

    def draw_back(self, role: str, volume_ml: float) -> None:
        """Turn a pump backwards, to break its line with air; the line's end must be above the spout.

        It takes of what the open stage has promised: a pump whose direction wire is dead adds so much.

        Raises
        ------
        MisuseError
            The line's end could dip into the vessel: what is drawn back would come from there. Or more than the stage
            promised.
        """
        if self._machine.pump(role).line.outlet_mm <= self._machine.config.vessel.spout_mm:
            raise MisuseError(
                f"the {role} line ends below the spout and could draw from the vessel",
                where=f"{self._machine.config.name}, pumps.{role}.line",
                remedy="End it above the spout: an air gap",
            )
        self._take_of_the_promise(role, volume_ml)
        self._motion.turn(role, volume_ml / self._machine.pump(role).ml_per_unit, Direction.REVERSE)
