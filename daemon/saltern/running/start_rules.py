"""May a determination start, and if not, why not: asked here by the loop, by `measure` and by `status`."""

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import NamedTuple
from zoneinfo import ZoneInfo

from saltern.bench.bench import Bench
from saltern.bench.gate import Gate, Purpose
from saltern.bench.interlocks import Row
from saltern.config.tables import Schedule
from saltern.model.determination import Source
from saltern.ports import Clock
from saltern.records.remembered import Remembered
from saltern.records.store import Store
from saltern.records.upkeep import away_now
from saltern.running.alerting import Alerting
from saltern.running.away import stretched
from saltern.running.schedule import Circumstances, Decision, decide

CLOCK_BEHIND = timedelta(hours=2)
"""More than a change to winter time, so that a clock that was set wrongly by a zone is no reason to hold (assumed)."""


class Refusal(NamedTuple):
    """Why nothing may start, and what to do about it."""

    what: str
    remedy: str


class Lately(NamedTuple):
    """What the records say of the last starts, and of the last dose."""

    started: datetime | None
    met: datetime | None  # of the last one that counts: see `Store.last_met`
    dosed: datetime | None


def lately(records: Store) -> Lately:
    """Return what the records say."""
    return Lately(records.last_started(Source.TANK), records.last_met(Source.TANK), records.last_dose())


def held_until_of(kept: object, now: datetime) -> datetime | None:
    """Return until when the schedule is held, by the state of that name, or None."""
    at = datetime.fromisoformat(kept) if isinstance(kept, str) else None
    return at if at is not None and at > now else None


def refusal(gate: Gate, acting: Iterable[Row], purpose: Purpose) -> Refusal | None:
    """Return why no determination may start now, or None: the gate is closed, or a row holds scheduled starts."""
    closed = gate.closed(purpose)
    if closed is not None:
        return Refusal(closed.what, closed.remedy)
    for row in acting:
        if row.holds_starts and purpose is Purpose.SCHEDULED:
            return Refusal(f"the interlock {row.name} acts", row.remedy)
    return None


class StartRules:
    """Owns when the last determination of the tank began, which may not have been kept.

    Parameters
    ----------
    bench, store, clock, alerting
        The bench, its records, the time, and where alerts are raised.
    """

    def __init__(self, bench: Bench, store: Store, clock: Clock, alerting: Alerting) -> None:
        self._bench, self._store, self._clock, self._alerting = bench, store, clock, alerting
        self._lately = Remembered(lambda: lately(store), store)  # asked in each idle round
        self._begun: datetime | None = None
        self._begun_s: float | None = None

    def begins(self) -> None:
        """Take note that a determination of the tank begins now."""
        self._begun, self._begun_s = self._clock.now(), self._clock.monotonic()

    def refusal(self, purpose: Purpose) -> Refusal | None:
        """Return why no determination may start now, or None; see the function of this name."""
        return refusal(self._bench.gate, self._bench.guard.acting, purpose)

    def consider_the_clock(self) -> None:
        """Trust the wall clock unless it says less than the records: it was stepped back, or never set after a start.

        A schedule by intervals needs no wall clock, and is not held.
        """
        newest, now = self._lately().started, self._clock.now()
        behind = newest is not None and now < newest - CLOCK_BEHIND
        self._bench.noticed.clock_untrusted = behind and not self._bench.config.schedule.by_interval
        local = now.astimezone(ZoneInfo(self._bench.config.schedule.time_zone))
        self._alerting.stands(
            behind,
            "clock-behind",
            f"the clock says {local:%Y-%m-%d %H:%M}, earlier than the newest record: set it",
        )
        self._bench.guard.scan()

    def due(self) -> bool:
        """Return whether one is to start by schedule, nothing refuses it, and the records can be written."""
        return self._bench.storage_works() and self.decision().start and self.refusal(Purpose.SCHEDULED) is None

    def decision(self, records: Store | None = None) -> Decision:
        """Return whether a determination is due, and why or why not; `records` is a reader's own connection."""
        store, schedule = records or self._store, self._bench.config.schedule
        unmet = tuple(name for name in schedule.conditions if not _is_met(name, self.conditions(store)))
        again = schedule.missed == "catch-up"
        known = self._lately() if records is None else lately(records)
        begun = max((at for at in (known.met if again else known.started, self._begun) if at is not None), default=None)
        if self._begun_s is not None and schedule.by_interval:  # an interval has no use for the wall clock
            begun = self._clock.now() - timedelta(seconds=self._clock.monotonic() - self._begun_s)
        circumstances = Circumstances(begun, known.dosed, unmet)
        return decide(self.schedule(store), self._clock.now(), circumstances, self._bench.config.name)

    def schedule(self, records: Store | None = None) -> Schedule:
        """Return the schedule as it is kept now: stretched, while the keeper is away."""
        schedule = self._bench.config.schedule
        away = away_now(records or self._store, self._clock.now())
        return schedule if away is None else stretched(schedule, away.gap_h)

    def conditions(self, records: Store | None = None) -> dict[str, bool]:
        """Return what is known of conditions: what the keeper said, and what inputs say."""
        inputs = {name: switch.is_active() for name, switch in self._bench.devices.inputs.items()}
        return {**(records or self._store).conditions(), **inputs}


def _is_met(condition: str, holding: dict[str, bool]) -> bool:
    """Return whether a condition is met; of what nobody ever said, neither it nor its opposite is."""
    name = condition.removeprefix("not ")
    return name in holding and holding[name] is (name == condition)
