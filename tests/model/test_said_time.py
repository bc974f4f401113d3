"""A keeper's time is the one that a person on the spot would mean."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from saltern.model.said_time import said_time, written_time

BERLIN = ZoneInfo("Europe/Berlin")
NOW = datetime(2026, 3, 4, 13, 0, tzinfo=UTC)  # a Wednesday, 14:00 in Berlin


def test_it_is_written_by_the_clock_where_the_tank_is():
    assert written_time(NOW, "Europe/Berlin") == "Wed 04 Mar 14:00"
    assert written_time(NOW, "Pacific/Auckland") == "Thu 05 Mar 02:00"


@pytest.mark.parametrize(
    ("said", "there"),
    [
        ("now", "2026-03-04 14:00"),
        ("yesterday 9:00", "2026-03-03 09:00"),
        ("Yesterday 23:30", "2026-03-03 23:30"),
        ("today 07:15", "2026-03-04 07:15"),
        ("9:00", "2026-03-04 09:00"),
        ("18:00", "2026-03-03 18:00"),  # today's has not come
        ("tue 18:30", "2026-03-03 18:30"),
        ("Wednesday 18:30", "2026-02-25 18:30"),
        ("2 h ago", "2026-03-04 12:00"),
        ("90 min ago", "2026-03-04 12:30"),
        ("1.5 days ago", "2026-03-03 02:00"),
        ("2026-03-01 08:00", "2026-03-01 08:00"),
        ("2026-03-01T08:00:00+00:00", "2026-03-01 09:00"),
    ],
)
def test_it_means_what_a_person_there_means(said, there):
    assert f"{said_time(said, NOW, BERLIN).astimezone(BERLIN):%Y-%m-%d %H:%M}" == there


@pytest.mark.parametrize("said", ["", "soon", "25:00", "9:75", "someday 9:00", "2 weeks ago", "²:00", "2026-02-30"])
def test_what_is_not_a_time_is_refused(said):
    with pytest.raises(ValueError, match="not a"):
        said_time(said, NOW, BERLIN)


def test_an_hour_that_the_clock_left_out_is_refused_and_one_that_came_twice_is_the_first():
    with pytest.raises(ValueError, match="did not come"):
        said_time("2026-03-29 02:30", NOW, BERLIN)
    assert said_time("2026-10-25 02:30", NOW, BERLIN) == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)


@given(st.integers(0, 20 * 525600), st.integers(0, 23), st.integers(0, 59))
def test_a_time_of_day_alone_lies_in_the_day_behind_us(minutes, hour, minute):
    now = NOW + timedelta(minutes=minutes)
    try:
        at = said_time(f"{hour}:{minute:02d}", now, BERLIN)
    except ValueError:
        return  # the hour that summer time leaves out
    assert timedelta(0) <= now - at <= timedelta(hours=49)
    assert (at.astimezone(BERLIN).hour, at.astimezone(BERLIN).minute) == (hour, minute)
