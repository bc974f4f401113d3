"""The composition root: what a running bench is made of, and its one loop.

Everything that moves or waits happens in `Service.run`, in the thread that calls it. Other threads, a
signal handler or a scheduler post to the mailbox.
"""

import queue
import threading
from collections.abc import Callable
from datetime import timedelta

import structlog

from saltern.alerts import Alerting
from saltern.bench.bench import Bench
from saltern.chemistry.endpoint.curve import Estimate
from saltern.chemistry.units import dkh_to_umol_kg
from saltern.config import BenchConfig
from saltern.errors import SalternError
from saltern.ports import Clock
from saltern.procedures.determination import Expectation, determine
from saltern.procedures.notebook import Step
from saltern.procedures.outcome import Determination, Source
from saltern.records.store import Store
from saltern.schedule import is_due

IDLE_S = 5.0
TITRANT_LOW_DAYS = 3.0
WASTE_FULL_FRACTION = 0.9

Command = Callable[[], None]
Watcher = Callable[[Step], None]


class Service:
    """One bench, running."""

    def __init__(
        self, config: BenchConfig, bench: Bench, clock: Clock, store: Store, *, watcher: Watcher = lambda step: None
    ) -> None:
        self.config = config
        self.bench = bench
        self.clock = clock
        self.store = store
        self.watcher = watcher
        self.alerting = Alerting(self._tell)
        self.mailbox: queue.SimpleQueue[Command] = queue.SimpleQueue()
        self._ending = threading.Event()
        self._log = structlog.get_logger("saltern", bench=config.name)

    # The loop -----------------------------------------------------------------

    def run(self, until_s: float | None = None) -> None:
        """Run until `end` is called, or until a monotonic time; leave the bench safe whatever happens."""
        try:
            while not self._ending.is_set() and (until_s is None or self.clock.monotonic() < until_s):
                self.round()
        finally:
            self.bench.make_safe()

    def round(self) -> None:
        """Do what was posted, then what is due, then let a little time pass."""
        while not self._ending.is_set():
            try:
                command = self.mailbox.get_nowait()
            except queue.Empty:
                break
            self._obey(command)
        if self._ending.is_set():
            return
        if self._measuring_is_due():
            self.measure(Source.TANK)
        else:
            self.bench.idle(IDLE_S)
        self._look_round()

    def end(self) -> None:
        """Ask for an orderly end, from any thread or signal handler: what moves stops, the run is void."""
        self._ending.set()
        self.bench.request_stop()

    def _measuring_is_due(self) -> bool:
        last = self.store.last_started(Source.TANK)
        return is_due(self.clock.now(), last, timedelta(hours=self.config.schedule.every_h))

    def _obey(self, command: Command) -> None:
        try:
            command()
        except SalternError as error:
            self._log.error("command.refused", what=error.what, where=error.where, remedy=error.remedy)

    # What it does ---------------------------------------------------------------

    def measure(self, source: Source) -> Determination:
        """Carry out one determination, keep it, and tell what the keeper should know of it."""
        with structlog.contextvars.bound_contextvars(determination=self.store.next_id()):
            self._log.info("determination.started", source=source.value)
            outcome = determine(self.bench, source, self._expectation(), self.watcher)
            self.store.keep(outcome)
            self._log.info(
                "determination.finished",
                verdict=outcome.alkalinity.verdict.value,
                reasons=[reason.value for reason in outcome.alkalinity.reasons],
                alkalinity_umol_kg=outcome.alkalinity.value,
                u_umol_kg=outcome.alkalinity.u,
                remarks=outcome.remarks,
            )
            self._tell_of(outcome)
        return outcome

    def _expectation(self) -> Expectation:
        last = self.store.last_accepted(Source.TANK)
        if last is not None and last.alkalinity.value is not None and last.end_point is not None:
            # A tank can change between two runs; a quarter covers a dose gone wrong.
            raw = last.alkalinity.value / self.config.titre.factor
            return Expectation(Estimate(raw, 0.25 * raw), carbon_umol_kg=last.end_point.carbon_umol_kg)
        if self.config.expected_dkh is not None:
            raw = dkh_to_umol_kg(self.config.expected_dkh, 35.0)
            return Expectation(Estimate(raw, 0.4 * raw))
        return Expectation()
