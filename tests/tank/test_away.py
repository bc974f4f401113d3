"""A keeper goes away: what lasts, what runs out, and how far the schedule is stretched."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from saltern.bench import bookkeeping
from saltern.config.loading import bench_from
from saltern.model.ledger import Interval
from saltern.procedures.arithmetic import sample_per_run_ml, titrant_per_run_ml
from saltern.running.away import MARGIN, outlook, stretched
from tests.twin_bench import bench_table

CONFIG = bench_from(bench_table(), where="test")
FULL = bookkeeping.first(150.0, 1000.0)


def test_a_weekend_on_full_stores_changes_nothing():
    found = outlook(CONFIG, FULL, 7.0, 2.0)

    assert found.wanted == 12
    assert found.gap_h == 0.0
    assert stretched(CONFIG.schedule, found.gap_h) == CONFIG.schedule


def test_three_weeks_on_half_a_bottle_are_stretched_until_they_last():
    ledger = replace(FULL, titrant_left_ml=Interval(300.0, 310.0))
    found = outlook(CONFIG, ledger, 7.0, 21.0)

    assert found.by_titrant < found.wanted
    assert stretched(CONFIG.schedule, found.gap_h).every_h == found.gap_h > 4.0


@given(st.floats(0.0, 1000.0), st.floats(0.0, 5000.0), st.floats(0.5, 90.0), st.floats(2.0, 20.0))
def test_what_is_planned_never_asks_for_more_than_there_is(titrant_ml, waste_ml, days, dkh):
    ledger = replace(FULL, titrant_left_ml=Interval(titrant_ml, titrant_ml), waste_ml=Interval(waste_ml, waste_ml))
    found = outlook(CONFIG, ledger, dkh, days)
    runs = min(found.wanted, days * 24.0 / found.gap_h if found.gap_h else found.wanted)

    if found.possible >= 1:
        assert runs * MARGIN * titrant_per_run_ml(CONFIG, dkh) <= titrant_ml + 1e-6
        room_ml = CONFIG.waste.container_ml - CONFIG.vessel.capacity_ml - waste_ml
        assert runs * MARGIN * sample_per_run_ml(CONFIG) <= room_ml + 1e-6
    else:
        assert not found.lasts


@pytest.mark.parametrize("rule", [{"per_day": 6}, {"at": ["06:00", "12:00", "18:00"]}, {"every_h": 4}])
def test_every_kind_of_schedule_is_stretched(rule):
    schedule = bench_from(bench_table({"schedule": rule}), where="test").schedule

    assert stretched(schedule, 10.0).min_gap_h == 10.0
    assert stretched(schedule, 10.0).by_interval is schedule.by_interval
