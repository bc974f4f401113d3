"""Protection must not be bought with silence: without faults it measures, and after a passing one it measures again."""

import json
from functools import cache

import pytest

from tests.cli.command import run
from tests.faults.campaign import SOUND_SEEDS, STRUCK, Case, fault, play


@pytest.mark.soak
def test_without_a_fault_nothing_trips_and_nearly_all_is_accepted_in_a_month(tmp_path):
    """Every run sees the same of six benches for a day and a half each (tests/test_asking_again.py)."""
    days = 30
    path = tmp_path / "month.toml"
    path.write_text(f"seed = 12\ndays = {days}.0\n")
    _, out, _ = run("simulate", path, "--json")
    played = json.loads(out)
    verdicts = [d["alkalinity"]["verdict"] for d in played["determinations"]]

    assert [trip for trip in played["trips"] if trip["kind"] == "trip"] == []
    assert len(verdicts) >= days * 6
    assert verdicts.count("accepted") >= 0.98 * len(verdicts)


@pytest.mark.parametrize(
    "passing",
    [
        fault("overfill-switch-splash", "fill", 2.0, 0.02, None),
        fault("serial-silent", "measure", 2.0, 0.05, None),
        fault("serial-garbled", "titrate", 10.0, 0.05, None),
        fault("serial-late", "empty", 2.0, 0.05, None),
        fault("disk-full", "titrate", 20.0, 0.05, None),
        fault("disk-readonly", "rinse", 2.0, 0.05, None),
    ],
    ids=lambda made: made["kind"],
)
def test_after_a_passing_fault_the_next_determination_succeeds_by_itself(passing):
    outcome = play(Case(SOUND_SEEDS[3], (passing,)))

    assert outcome.violated == {}
    assert outcome.trips == set()
    assert outcome.verdicts[STRUCK:]
    assert set(outcome.verdicts[STRUCK:]) == {"accepted"}


@pytest.mark.parametrize("step_s", [3600.0, -3600.0, 31_536_000.0, -31_536_000.0, -1_772_409_600.0])
def test_a_wall_clock_that_jumps_harms_nothing(step_s):
    """An hour either way, a year either way, and 1970: the verdicts are those of the same bench without it."""
    jump = {**fault("clock-step", "titrate", 20.0, None, None), "size": step_s}
    outcome = play(Case(SOUND_SEEDS[4], (jump,)))

    assert outcome.violated == {}
    assert outcome.trips == set()
    assert len(outcome.verdicts) >= 4
    assert outcome.verdicts == undisturbed()
    assert outcome.verdicts.count("accepted") >= 4


@cache
def undisturbed():
    return play(Case(SOUND_SEEDS[4], ())).verdicts
