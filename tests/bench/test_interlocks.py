"""The cause-and-effect table: each row acts on its cause, cuts what it says, and leaves what it says."""

import dataclasses
from pathlib import Path

import pytest

from saltern.bench.interlocks import ALL_PUMPS, TABLE, Snapshot, as_markdown, as_table

WELL = Snapshot(
    overfill=False,
    leak=False,
    stop=False,
    vessel_high_ml=50.0,
    overfill_ml=136.0,
    titrant_run_limit_ml=20.0,
    titrant_day_limit_ml=120.0,
    titrant_left_ml=500.0,
    waste_high_ml=100.0,
    waste_room_ml=9000.0,
)
CAUSES = {
    "overfill": {"overfill": True},
    "leak": {"leak": True},
    "waste-reversed": {"float_up_in_drain_s": 2.0},
    "drain-leaks": {"tray_wetted_in_drain": True},
    "stop": {"stop": True},
    "overtime": {"overtime": True},
    "waste-full": {"waste_high_ml": 9001.0},
    "volume-bound": {"vessel_high_ml": 136.1},
    "titrant-run": {"titrant_run_ml": 20.1},
    "titrant-day": {"titrant_recent_ml": 120.1},
    "titrant-empty": {"titrant_left_ml": 0.0},
    "reading-stale": {"reading_age_s": 31.0, "reading_limit_s": 30.0},
    "storage": {"storage_failed": True},
    "two-motions": {"motions": 2},
    "unasked": {"liquid_unasked": True},
    "permit-stuck": {"permit_failed": True},
    "permit-slow": {"permit_slow": True},
    "direction": {"direction_wrong": True},
    "drain-failed": {"drain_failed": True},
    "drain-unproved": {"drain_unproved": True},
    "sample-low": {"sample_missing": True},
    "titrant-unanswered": {"titrant_unanswered": True},
    "stirrer": {"mixing_slow": True},
    "ph-fault": {"ph_fault": True},
    "conductivity-fault": {"conductivity_fault": True},
    "temperature-fault": {"temperature_fault": True},
    "device-absent": {"device_absent": True},
    "clock": {"clock_untrusted": True},
    "proof-test": {"proof_overdue": True},
    "records-lost": {"records_lost": True},
}


def test_every_row_has_its_cause_here():
    assert set(CAUSES) == {row.name for row in TABLE}


def test_nothing_acts_when_all_is_well():
    assert [row.name for row in TABLE if row.condition(WELL)] == []


@pytest.mark.parametrize("row", TABLE, ids=lambda row: row.name)
def test_a_row_acts_on_its_own_cause_alone(row):
    seen = dataclasses.replace(WELL, **CAUSES[row.name])

    assert [other.name for other in TABLE if other.condition(seen)] == [row.name]


def test_what_nobody_has_looked_at_trips():
    """A snapshot before its first look is not well: an unknown switch is an active one."""
    assert {"overfill", "leak", "stop"} <= {row.name for row in TABLE if row.condition(Snapshot())}


@pytest.mark.parametrize("row", TABLE, ids=lambda row: row.name)
def test_a_row_cuts_and_leaves_all_pumps_between_them(row):
    assert row.cuts | row.leaves == ALL_PUMPS
    assert not row.cuts & row.leaves
    assert row.remedy


def test_an_overfull_vessel_can_still_be_emptied():
    (overfill,) = (row for row in TABLE if row.name == "overfill")

    assert overfill.leaves == {"waste"}
    assert overfill.kind == "trip"


def test_the_documents_hold_the_table_as_it_is():
    page = Path(__file__).parents[2] / "hardware" / "INTERLOCKS.md"

    assert page.read_text() == as_markdown(), "run: saltern check --interlocks > hardware/INTERLOCKS.md"


def test_what_keeps_the_vessel_from_being_emptied_is_a_full_container_a_stop_or_what_a_drain_itself_does():
    """A float that is up, or a tray that is wet, does not: only the waste pump could save the floor."""
    cutting_waste = {row.name for row in TABLE if "waste" in row.cuts}

    assert cutting_waste == {"waste-reversed", "drain-leaks", "stop", "overtime", "two-motions", "waste-full"}


def test_the_table_in_words_is_complete():
    assert len(as_table()) == len(TABLE)
    assert all(all(cell for cell in row.values()) for row in as_table())


def test_what_guards_the_room_or_the_tank_is_never_bypassed():
    """What may be left out for a time bears on the number alone: docs and help name these three."""
    assert {row.name for row in TABLE if row.bypassable} == {"clock", "proof-test", "temperature-fault"}
