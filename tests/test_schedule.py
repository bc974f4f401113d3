"""Whether a determination is due depends on times alone."""

from collections import Counter
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from saltern.config.tables import Schedule
from saltern.running.schedule import WEEKDAYS, Circumstances, decide, delay, next_slots, slots_of_day

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
FOUR_HOURS = Schedule(every_h=4.0)
MINUTE = timedelta(minutes=1)


def starts(schedule, now, last=None, **circumstances):
    return decide(schedule, now, Circumstances(last, **circumstances)).start


# By interval ------------------------------------------------------------------------


def test_the_first_determination_is_due_at_once():
    assert starts(FOUR_HOURS, NOON)


def test_it_is_due_when_the_interval_has_passed_and_not_before():
    assert not starts(FOUR_HOURS, NOON, NOON - timedelta(hours=4) + timedelta(seconds=1))
    assert starts(FOUR_HOURS, NOON, NOON - timedelta(hours=4))


def test_a_small_step_back_of_the_clock_waits_and_a_large_one_does_not_wait_for_years():
    assert not starts(FOUR_HOURS, NOON, NOON + timedelta(hours=1))
    assert starts(FOUR_HOURS, NOON, NOON + timedelta(days=365))


@given(st.lists(st.floats(-10_000.0, 10_000.0), min_size=1, max_size=60))
def test_however_the_clock_is_stepped_no_two_starts_come_within_the_interval_of_wall_time_forward(steps):
    now, last, begun = NOON, None, []
    for step in steps:
        now += timedelta(seconds=step)
        if starts(FOUR_HOURS, now, last):
            begun.append(now)
            last = now

    for earlier, later in pairwise(begun):
        assert later - earlier >= timedelta(hours=4) or later < earlier


@given(st.floats(0.0, 100_000.0))
def test_the_next_slot_is_the_first_instant_that_is_due(seconds):
    now = NOON + timedelta(seconds=seconds)
    (slot,) = next_slots(FOUR_HOURS, now, NOON, 1)

    assert slot.at >= now
    assert starts(FOUR_HOURS, slot.at, NOON)


# By the wall clock --------------------------------------------------------------------

ON_EVERY_RUN = (2024, 2026)
YEARS = [pytest.param(year, marks=[] if year in ON_EVERY_RUN else pytest.mark.soak) for year in range(2024, 2034)]

WALL = [
    Schedule(at=(time(2, 30), time(6, 15), time(23, 59)), time_zone="Europe/Lisbon"),
    Schedule(per_day=7, start=time(0, 20), time_zone="America/New_York", quiet=((time(22), time(7)),)),
    Schedule(every_h=6, start=time(1, 30), weekdays=("mon", "thu", "sun"), time_zone="Australia/Lord_Howe"),
    Schedule(at=(time(1, 45), time(12)), every_days=3, first_day=date(2024, 2, 28), time_zone="America/New_York"),
]
"""Three time zones; one changes its clocks by half an hour."""


def oracle(schedule, first, last):
    """Return every slot by looking at every minute: is it one of the times of day, on a day that counts?

    A time that the clock skips is met by as much later as it skips; one that it repeats, the first time.
    """
    zone = ZoneInfo(schedule.time_zone)
    wanted = set(schedule.at)
    if schedule.per_day:
        begin = schedule.start.hour * 60 + schedule.start.minute
        wanted = {divmod(round(begin + k * 1440 / schedule.per_day) % 1440, 60) for k in range(schedule.per_day)}
        wanted = {time(*hm) for hm in wanted}
    elif schedule.start:
        begin = schedule.start.hour * 60 + schedule.start.minute
        step = round(60 * schedule.every_h)
        wanted = {time(*divmod((begin + k * step) % 1440, 60)) for k in range(1440 // step)}
    found, seen, now, before = set(), set(), first, None
    offset = None
    while now < last:
        if now.minute % 15 == 0 or offset is None:
            offset = now.astimezone(zone).utcoffset()
        local = (now + offset).replace(tzinfo=None)
        skipped = []
        if before is not None and local - before > MINUTE:  # the clock jumped ahead: those minutes come as much later
            gap = local - before - MINUTE
            skipped = [(before + MINUTE * (k + 1), now + MINUTE * k) for k in range(int(gap / MINUTE))]
        before = local
        for moment, instant in [*skipped, (local, now)]:
            if moment.time() not in wanted or moment in seen:
                continue
            seen.add(moment)
            day = moment.date()
            if schedule.weekdays and WEEKDAYS[day.weekday()] not in schedule.weekdays:
                continue
            if (day - schedule.first_day).days % schedule.every_days:
                continue
            shown = (instant + instant.astimezone(zone).utcoffset()).time()
            if any(b <= shown < e if b < e else shown >= b or shown < e for b, e in schedule.quiet):
                continue
            found.add(instant)
        now += MINUTE
    return found


@pytest.mark.parametrize("schedule", WALL, ids=lambda s: s.time_zone)
@pytest.mark.parametrize("year", YEARS)
def test_slots_are_those_that_a_look_at_every_minute_finds(schedule, year):
    """A leap year with its 29 February, and a common one; both days of clock change of each."""
    first, last = datetime(year, 1, 1, tzinfo=UTC), datetime(year + 1, 1, 1, tzinfo=UTC)
    day, found = date(year, 1, 1) - timedelta(days=1), []
    while day <= date(year + 1, 1, 1):
        found += [slot.at for slot in slots_of_day(schedule, day) if first <= slot.at < last]
        day += timedelta(days=1)

    assert len(found) == len(set(found))
    assert set(found) == oracle(schedule, first, last)


@pytest.mark.parametrize("schedule", WALL, ids=lambda s: s.time_zone)
def test_each_slot_starts_one_determination_at_its_minute(schedule):
    """A service that looks every minute through the week of a clock change."""
    for begin in (datetime(2026, 3, 27, tzinfo=UTC), datetime(2026, 10, 30, tzinfo=UTC)):
        now, last, begun = begin, begin - timedelta(days=2), []
        while now < begin + timedelta(days=10):
            if starts(schedule, now, last):
                begun.append(now)
                last = now
            now += MINUTE
        expected = [slot.at for slot in next_slots(schedule, begin, None, 100) if slot.at < begin + timedelta(days=10)]
        assert [b for b in begun if b > begin] == expected


def test_a_missed_slot_is_caught_up_once_and_late_slots_do_not_pile_up():
    schedule = Schedule(at=(time(6), time(12), time(18)), time_zone="UTC")
    last = datetime(2026, 3, 1, 18, tzinfo=UTC)
    back = datetime(2026, 3, 4, 13, tzinfo=UTC)

    assert starts(schedule, back, last)
    assert not starts(schedule, back + MINUTE, back)
    assert starts(schedule, datetime(2026, 3, 4, 18, tzinfo=UTC), back)


def test_a_new_bench_has_missed_nothing():
    schedule = Schedule(at=(time(6),))

    assert not starts(schedule, NOON)
    assert starts(schedule, datetime(2026, 3, 3, 6, 1, tzinfo=UTC))


def test_a_missed_slot_is_skipped_where_the_keeper_wants_it_so():
    schedule = Schedule(at=(time(6), time(12)), missed="skip")

    assert not starts(schedule, datetime(2026, 3, 4, 13, tzinfo=UTC), datetime(2026, 3, 1, 6, tzinfo=UTC))
    assert starts(schedule, datetime(2026, 3, 4, 12, 10, tzinfo=UTC), datetime(2026, 3, 1, 6, tzinfo=UTC))


def test_nothing_starts_in_quiet_hours_and_what_was_missed_before_them_starts_after():
    schedule = Schedule(at=(time(21),), quiet=((time(22), time(7)),))
    last = datetime(2026, 3, 1, 21, tzinfo=UTC)

    assert not starts(schedule, datetime(2026, 3, 2, 23, tzinfo=UTC), last)
    assert starts(schedule, datetime(2026, 3, 3, 7, tzinfo=UTC), last)


def test_nothing_starts_soon_after_a_dose_nor_within_the_least_gap_nor_while_a_condition_is_unmet():
    schedule = Schedule(at=(time(12),), min_gap_h=2.0)

    assert starts(schedule, NOON, NOON - timedelta(hours=3))
    assert not starts(schedule, NOON, NOON - timedelta(hours=3), last_dose=NOON - timedelta(minutes=29))
    assert starts(schedule, NOON, NOON - timedelta(hours=3), last_dose=NOON - timedelta(minutes=31))
    assert not starts(schedule, NOON, NOON - timedelta(hours=1))
    assert decide(schedule, NOON, Circumstances(None, unmet=("lights-on",))).why == "waits for: lights-on"


# Of many benches ---------------------------------------------------------------------

FARM = [f"nursery-{k:02d}" for k in range(1, 51)]
EVERY_SIX = Schedule(at=(time(5), time(11), time(17), time(23)), stagger_min=360, time_zone="Europe/Lisbon")


def test_fifty_names_spread_over_the_interval_and_no_minute_has_many():
    minutes = [delay(EVERY_SIX, name) / MINUTE for name in FARM]

    assert min(minutes) >= 0.0
    assert max(minutes) < EVERY_SIX.stagger_min
    quarters = Counter(int(minute // 90) for minute in minutes)
    assert all(quarters[k] >= 6 for k in range(4))
    assert max(Counter(minutes).values()) <= 3


def test_the_delay_of_a_name_is_the_same_on_each_computer():
    """The first eight bytes of SHA-256 by `printf reef | sha256sum`, modulo 360 by hand."""
    assert delay(EVERY_SIX, "reef") == timedelta(minutes=int("3297cb78604badb2", 16) % 360)


@given(st.sampled_from(FARM), st.dates(date(2024, 1, 1), date(2030, 12, 31)))
def test_each_start_of_a_day_comes_by_the_same_delay_later_in_spite_of_midnight(name, day):
    plain = [slot.at for slot in slots_of_day(EVERY_SIX.model_copy(update={"stagger_min": 0}), day)]

    assert [slot.at - delay(EVERY_SIX, name) for slot in slots_of_day(EVERY_SIX, day, name)] == plain


def test_a_start_that_would_come_in_quiet_hours_stays_where_it_was():
    schedule = Schedule(at=(time(9), time(21)), stagger_min=600, quiet=((time(22), time(7)),))
    day = date(2026, 3, 2)

    for name in FARM:
        first, second = (slot.at for slot in slots_of_day(schedule, day, name))
        assert first == datetime(2026, 3, 2, 9, tzinfo=UTC) + delay(schedule, name)
        late = delay(schedule, name)
        assert second == datetime(2026, 3, 2, 21, tzinfo=UTC) + (late if late < timedelta(hours=1) else timedelta(0))


@pytest.mark.parametrize("name", FARM[:5])
def test_a_staggered_bench_starts_at_each_slot_that_is_announced_and_only_there(name):
    """A service that looks every minute through the week of a clock change, on chosen days."""
    schedule = EVERY_SIX.model_copy(update={"weekdays": ("fri", "sun")})
    begin = datetime(2026, 3, 27, tzinfo=UTC)
    now, last, begun = begin, begin - timedelta(days=2), []
    while now < begin + timedelta(days=9):
        if decide(schedule, now, Circumstances(last), name).start:
            begun.append(now)
            last = now
        now += MINUTE

    announced = [slot.at for slot in next_slots(schedule, begin, None, 100, name) if slot.at < now]
    assert len(announced) >= 3 * 4
    assert [b for b in begun if b > begin] == announced


@pytest.mark.parametrize(
    "table",
    [
        {"every_h": 4, "per_day": 3},
        {"per_day": 3, "at": ["06:00"]},
        {"weekdays": ["mon"]},
        {"time_zone": "Reef/Lagoon"},
        {"at": ["25:00"]},
        {"every_days": 2},
        {"stagger_min": 30},
        {"at": ["06:00", "09:00", "22:00"], "stagger_min": 181},
        {"at": ["23:30", "00:30"], "stagger_min": 61},
        {"per_day": 6, "stagger_min": 241},
    ],
)
def test_a_schedule_that_contradicts_itself_is_refused(table):
    with pytest.raises(ValidationError):
        Schedule.model_validate(table)
