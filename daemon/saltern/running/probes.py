"""Probes must not stand dry, and acid must not stand in the vessel: what is done for that without being asked."""

from collections.abc import Callable, Iterator
from datetime import timedelta

import structlog

from saltern.bench.bench import Bench, StopRequested
from saltern.bench.gate import Purpose
from saltern.errors import SalternError
from saltern.model.determination import Determination, Notice
from saltern.model.said_time import written_time
from saltern.ports import Clock
from saltern.procedures.notebook import Notebook
from saltern.procedures.rinse import plan_for
from saltern.procedures.vessel import empty, keep_wet, rinse, wet_the_probes
from saltern.running.alerting import Alerting
from saltern.running.at_work import AtWork
from saltern.running.watch.watched import Watched


class Probes:
    """Owns since when the probes stand dry, and whether the vessel is still to be emptied after an unclean stop.

    Parameters
    ----------
    bench, clock, alerting, at_work
        The bench, the time, where alerts are raised, and what is under way.
    """

    def __init__(self, bench: Bench, clock: Clock, alerting: Alerting, at_work: AtWork) -> None:
        self._bench = bench
        self._clock = clock
        self._alerting = alerting
        self._at_work = at_work
        self._dry_by_s: float | None = None  # when they will have stood dry for too long
        self._refilled_for: float | None = None
        self._to_recover = False
        self._log = structlog.get_logger("saltern").bind(bench=bench.config.name)

    # Looking ------------------------------------------------------------------------

    def look(self, now_s: float) -> Iterator[Watched]:
        """Return whether the cell is dry, and whether the probes have stood so for too long."""
        if self._bench.fell_dry:
            self._stand_dry(now_s)
        yield Watched(
            self._bench.fell_dry,
            "cell-dry",
            "the conductivity cell is dry, with everything at rest: check the vessel, and keep the probes wet",
        )
        yield Watched(
            self._dry_by_s is not None and now_s > self._dry_by_s,
            "probes-dry",
            "the probes have been without fresh sample for too long: put them into storage solution or sample now",
        )

    def heard(self, outcome: Determination) -> Watched:
        """Take up how a run left the probes."""
        not_clean = outcome.noticed.get(Notice.NOT_LEFT_CLEAN)
        if not_clean is None:
            self._dry_by_s = None
        else:
            self._stand_dry(self._clock.monotonic())
        config = self._bench.config
        by = written_time(self._clock.now() + timedelta(hours=config.sample.dry_out_h), config.schedule.time_zone)
        text = f"{not_clean}. The probes must be in liquid by {by}"
        return Watched(not_clean is not None, Notice.NOT_LEFT_CLEAN.value, text)

    def _stand_dry(self, now_s: float) -> None:
        if self._dry_by_s is None:
            self._dry_by_s = now_s + 3600.0 * self._bench.config.sample.dry_out_h

    # Doing --------------------------------------------------------------------------

    def recover_when_it_can(self) -> None:
        """Let the vessel be emptied that an unclean stop left, as soon as every device is there."""
        self._to_recover = True

    @property
    def may_recover(self) -> bool:
        """Whether it is to be done now: after a power cut a hub may be slower than the service."""
        return self._to_recover and not self._bench.noticed.device_absent

    def recover(self) -> None:
        """Empty a vessel that a lost process left, for acid may stand in it, and leave the probes wet.

        Draining can do no harm. Where the cell is dry a little is added first, if there is room for it whatever the
        vessel holds: only a cell that falls dry proves anything. A trip forbids it, and the keeper is alerted.
        """
        self._to_recover = False
        if self._bench.gate.closed(Purpose.RECOVERY) is not None:
            return  # a line may hang over a beaker: the keeper is alerted, and says when all is back
        try:
            with self._at_work.at("recover from an unclean stop"), self._bench.gate.through(Purpose.RECOVERY):
                self.empty_and_wet("empty after an unclean stop")
        except SalternError as error:
            self._bench.make_safe()
            self._alerting.alert("not-recovered", f"after {self._bench.found}: {error}")
            if isinstance(error, StopRequested):
                raise
        else:
            self._alerting.clear("unclean-stop")

    def refill(self, ending: Callable[[], bool]) -> None:
        """Give probes fresh sample again that a stopped run has left dry; a trip alone forbids it.

        It is tried at half of the time that they may stand so; what fails is named by the alert that stands already.
        """
        half_s = 1800.0 * self._bench.config.sample.dry_out_h
        due = self._dry_by_s is not None and self._clock.monotonic() > self._dry_by_s - half_s
        if not due or self._refilled_for == self._dry_by_s or ending():
            return
        if self._bench.gate.closed(Purpose.KEEP_WET) is not None:
            return
        self._refilled_for = self._dry_by_s
        try:
            with self._at_work.at("keep the probes wet"), self._bench.gate.through(Purpose.KEEP_WET):
                self.empty_and_wet("empty, to keep the probes wet")
        except StopRequested:
            raise
        except SalternError as error:
            self._bench.make_safe()
            self._log.warning("probes.not_refilled", what=error.what, remedy=error.remedy)
        else:
            self._dry_by_s = None
            self._alerting.clear(Notice.NOT_LEFT_CLEAN.value)

    def rinse(self) -> None:
        """Empty, rinse as before a determination, and leave the probes in fresh sample."""
        notebook = Notebook(self._bench, self._at_work.watch)
        self._bench.forget_weights()
        wet_the_probes(self._bench, notebook)
        empty(self._bench, notebook)
        rinse(self._bench, notebook, plan_for(self._bench.config))
        keep_wet(self._bench, notebook)

    def empty_and_wet(self, phase: str) -> None:
        """Drain what stands in the vessel, a dry cell wetted first so that it shows, and leave fresh sample."""
        notebook = Notebook(self._bench, self._at_work.watch)
        if not self._bench.cell_is_wet():
            wet_the_probes(self._bench, notebook)
        empty(self._bench, notebook, phase)
        keep_wet(self._bench, notebook)
