"""When a determination is due: pure functions of times. Waking is somebody else's.

A *slot* is a time at which a determination should start. By the wall clock of a place, slots are times of day on
chosen days; or, with no start time, each follows the last determination by an interval. A slot that the night of a
clock change skips comes as much later as the clock jumps; one that it repeats comes once.

Many benches with one schedule are spread by `stagger_min`: a bench's own delay follows from its name, so that it is
the same each day and on each computer, and nobody has to keep a list.
"""

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from saltern.config.hours import is_within
from saltern.config.tables import Schedule

WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
LATE_IS_MISSED = timedelta(minutes=15)
"""A start so late after its slot counts as missed, and is caught up or skipped as configured."""

LONGEST_SEARCH_DAYS = 400
STEPPED = timedelta(days=1)
"""A last start this far in the future means that the clock was stepped back: waiting for it could mean years."""


@dataclass(frozen=True)
class Slot:
    """A time at which a determination should start, UTC, and why."""

    at: datetime
    why: str


@dataclass(frozen=True)
class Circumstances:
    """What else bears on whether to start now."""

    last_started: datetime | None = None
    last_dose: datetime | None = None
    unmet: tuple[str, ...] = ()  # names of conditions that do not hold


@dataclass(frozen=True)
class Decision:
    """Whether to start now, and the reason either way."""

    start: bool
    why: str


def decide(schedule: Schedule, now: datetime, circumstances: Circumstances, bench: str = "") -> Decision:
    """Return whether a determination should start now.

    Parameters
    ----------
    schedule
        What the keeper wants.
    now
        Aware wall time.
    circumstances
        The last start, the last dose, unmet conditions.
    bench
        The bench's name: where starts are staggered, its delay follows from it.
    """
    last = circumstances.last_started
    if last is not None and last > now + STEPPED:
        last = None  # the clock was stepped back
    slot = _slot_before(schedule, now, last, bench)
    if slot is None:
        return Decision(False, "no slot has come since the last determination")
    if last is None and now - slot.at > LATE_IS_MISSED:
        return Decision(False, "waits for its first slot")
    if schedule.missed == "skip" and now - slot.at > LATE_IS_MISSED:
        return Decision(
            False, f"the slot at {slot.at.astimezone(_zone(schedule)):%H:%M} was missed, and missed ones are skipped"
        )
    if _is_quiet(schedule, now):
        return Decision(False, "quiet hours")
    if last is not None and now - last < timedelta(hours=schedule.min_gap_h):
        return Decision(False, "the last determination began less than schedule.min_gap_h ago")
    dosed = circumstances.last_dose
    if dosed is not None and timedelta(0) <= now - dosed < timedelta(minutes=schedule.after_dose_min):
        return Decision(False, f"a dose went in less than {schedule.after_dose_min:g} min ago")
    if circumstances.unmet:
        return Decision(False, f"waits for: {', '.join(circumstances.unmet)}")
    return Decision(True, slot.why)


def next_slots(
    schedule: Schedule, now: datetime, last_started: datetime | None, count: int, bench: str = ""
) -> list[Slot]:
    """Return the next slots, if every one is met: what `saltern schedule` shows. The least gap is kept."""
    if schedule.by_interval:
        every = timedelta(hours=schedule.every_h)
        first = now if last_started is None or last_started > now + STEPPED else max(now, last_started + every)
        slots = (Slot(first + k * every, f"{schedule.every_h:g} h after the one before") for k in range(10_000))
        return _take(count, (slot for slot in slots if not _is_quiet(schedule, slot.at)))
    day = now.astimezone(_zone(schedule)).date()
    days = (day + timedelta(days=k) for k in range(-1, LONGEST_SEARCH_DAYS))
    coming = (slot for d in days for slot in slots_of_day(schedule, d, bench) if slot.at > now)
    known = last_started if last_started is not None and last_started <= now + STEPPED else None
    return _take(count, _apart(coming, known, timedelta(hours=schedule.min_gap_h)))


def _apart(slots: Iterator[Slot], last: datetime | None, gap: timedelta) -> Iterator[Slot]:
    for slot in slots:
        if last is None or slot.at - last >= gap:
            last = slot.at
            yield slot


def delay(schedule: Schedule, bench: str) -> timedelta:
    """Return how much later than its times a bench of this name starts: whole minutes, less than `stagger_min`."""
    if not schedule.stagger_min:
        return timedelta(0)
    drawn = int.from_bytes(hashlib.sha256(bench.encode()).digest()[:8], "big")  # Python's own hash changes each start
    return timedelta(minutes=drawn % schedule.stagger_min)


def slots_of_day(schedule: Schedule, day: date, bench: str = "") -> list[Slot]:
    """Return the slots that the wall clock gives one local day, in order; a staggered one may come after its midnight.

    A slot whose delay would bring it into quiet hours has none: it would be lost otherwise.
    """
    if schedule.weekdays and WEEKDAYS[day.weekday()] not in schedule.weekdays:
        return []
    if (day - schedule.first_day).days % schedule.every_days:
        return []
    zone, later = _zone(schedule), delay(schedule, bench)
    found: dict[datetime, Slot] = {}
    for local, why in _times_of_day(schedule):
        at = datetime.combine(day, local, tzinfo=zone).astimezone(UTC)
        if _is_quiet(schedule, at):
            continue
        if later and not _is_quiet(schedule, at + later):
            at, why = at + later, f"{why}, {later / timedelta(minutes=1):g} min later by its name"
        found.setdefault(at, Slot(at, why))
    return [found[at] for at in sorted(found)]


def _slot_before(schedule: Schedule, now: datetime, last_started: datetime | None, bench: str) -> Slot | None:
    """Return the newest slot that has come and that no start has met."""
    if schedule.by_interval:
        if last_started is None:
            return Slot(now, "the first determination")
        at = last_started + timedelta(hours=schedule.every_h)
        return Slot(at, f"{schedule.every_h:g} h after the one before") if at <= now else None
    today = now.astimezone(_zone(schedule)).date()
    for back in range(-1, schedule.every_days + 8):
        for slot in reversed(slots_of_day(schedule, today - timedelta(days=back), bench)):
            if slot.at <= now:
                met = last_started is not None and slot.at <= last_started
                return None if met else slot
    return None


def _times_of_day(schedule: Schedule) -> list[tuple[time, str]]:
    if schedule.at:
        return [(local, f"at {local:%H:%M}") for local in schedule.at]
    start = schedule.start if schedule.start is not None else time(0)
    minutes = 1440.0 / schedule.per_day if schedule.per_day is not None else 60.0 * schedule.every_h
    why = f"{schedule.per_day} a day" if schedule.per_day is not None else f"every {schedule.every_h:g} h"
    first = start.hour * 60 + start.minute
    count = max(1, int(1440.0 / minutes + 1e-9))
    spread = sorted(round(first + k * minutes) % 1440 for k in range(count))
    return [(time(m // 60, m % 60), f"{why} from {start:%H:%M}") for m in spread]


def _is_quiet(schedule: Schedule, at: datetime) -> bool:
    return is_within(at.astimezone(_zone(schedule)).time(), schedule.quiet)


def _zone(schedule: Schedule) -> ZoneInfo:
    return ZoneInfo(schedule.time_zone)


def _take(count: int, slots: Iterator[Slot]) -> list[Slot]:
    return [slot for slot, _ in zip(slots, range(count), strict=False)]
