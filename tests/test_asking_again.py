"""A surprising result is asked again, at once and once; whole runs on the twin."""

import pytest

from saltern.cli.simulation import run
from saltern_drivers.twin.scenario import Scenario


def play(tmp_path, **scenario):
    table = {"seed": 11, "days": 1.5, "tank": {"consumption_dkh_per_day": 0.3, "dosed_dkh_per_day": 0.3}, **scenario}
    return run(Scenario.model_validate(table), tmp_path)


def simulate(tmp_path, **scenario):
    return play(tmp_path, **scenario)["determinations"]


UP_TO_THE_ANSWER = {"days": 1.2}  # the eighth begins after 28 h, and the one that follows it is done half an hour later


def since(h, determinations):
    """Return the alkalinities of what began after so many hours."""
    return [d["alkalinity"] for d in determinations if d["started_h"] > h]


def started(determinations):
    return [d["started_h"] for d in determinations]


@pytest.mark.slow
@pytest.mark.parametrize("benches", [1, pytest.param(12, marks=pytest.mark.soak)])
def test_sound_benches_are_hardly_ever_asked_again_and_the_answer_is_then_accepted(tmp_path, benches):
    """From the sixth result on every seventeenth sound one is further off than is usual, and is confirmed at once.

    It is also what every run sees of protection that is not bought with silence (tests/faults/test_availability.py).
    """
    asked = 0
    for seed in range(11, 11 + benches):
        played = play(tmp_path, seed=seed)
        assert [trip for trip in played["trips"] if trip["kind"] == "trip"] == []

        determinations = played["determinations"]
        verdicts = [d["alkalinity"]["verdict"] for d in determinations]
        doubted = [k for k, verdict in enumerate(verdicts) if verdict != "accepted"]
        asked += len(doubted) - 1

        assert doubted[0] == 0  # the first of all is always measured twice
        assert len(determinations) == 9 + len(doubted)
        assert all(verdicts[k] == "suspect" and verdicts[k + 1] == "accepted" for k in doubted)
    assert asked <= 1 + benches // 2  # of the four of a bench that have a past, 6 %


FIRST = ["first-result"]


def test_the_first_result_of_a_bench_counts_once_a_second_one_agrees(tmp_path):
    first, second, third = simulate(tmp_path, days=0.2)

    for quantity in ("alkalinity", "ph_total"):
        assert (first[quantity]["verdict"], first[quantity]["reasons"]) == ("suspect", FIRST)
        assert second[quantity]["verdict"] == third[quantity]["verdict"] == "accepted"
    assert second["started_h"] - first["started_h"] < 0.5
    assert third["started_h"] - first["started_h"] > 3.5


def test_air_in_the_titrant_line_in_the_first_run_of_all_is_not_accepted(tmp_path):
    """The curve is as sound as any: see `tests/faults/found`."""
    air = {"kind": "titrant-line-air", "at_phase": "discard-tip", "determination": 1, "after_s": 20.0, "size": 0.1}
    first, *others = since(-1.0, simulate(tmp_path, days=0.2, fault=[air]))

    assert abs(first["umol_per_kg"] - first["truth"]) > 5.0 * first["u"]
    assert [a["verdict"] for a in (first, *others)] == ["suspect", "suspect", "suspect", "accepted"]
    assert abs(others[-1]["umol_per_kg"] - others[-1]["truth"]) < 3.0 * others[-1]["u"]


def test_an_electrode_that_moves_in_the_second_run_of_all_makes_no_first_ph(tmp_path):
    loop = {"kind": "ground-loop", "at_phase": "titrate", "determination": 2, "after_s": 30.0, "size": 14.6}
    _, second, *_ = simulate(tmp_path, days=0.2, fault=[loop])

    assert second["ph_total"]["verdict"] == "suspect"


def test_a_bubble_in_the_first_dose_is_doubted_and_the_next_determination_is_right(tmp_path):
    fault = {"kind": "titrant-line-air", "at_phase": "fill", "determination": 8, "after_s": 1.0, "size": 0.1}
    determinations = simulate(tmp_path, fault=[fault], seed=2, **UP_TO_THE_ANSWER)
    doubted, asked = determinations[7]["alkalinity"], determinations[8]["alkalinity"]

    assert doubted["verdict"] == "suspect"
    assert "differs-from-expectation" in doubted["reasons"]
    assert started(determinations)[8] - started(determinations)[7] < 0.5
    assert asked["verdict"] == "accepted"
    assert abs(asked["umol_per_kg"] - asked["truth"]) < 3.0 * asked["u"]


def test_what_two_agree_on_is_accepted_though_it_surprises(tmp_path):
    """A dose that nobody wrote down, of no more than a tank may change by: the second determination decides."""
    dose = {"kind": "dose", "at_h": 26.0, "dkh": 0.14, "log": False}
    determinations = simulate(tmp_path, event=[dose], **UP_TO_THE_ANSWER)
    first, second = since(26.0, determinations)

    assert first["verdict"] == "suspect"
    assert second["verdict"] == "accepted"
    assert second["umol_per_kg"] == pytest.approx(first["umol_per_kg"], abs=20.0)


def test_a_tube_that_suddenly_gives_less_is_not_accepted_though_two_agree(tmp_path):
    """It looks like a change of the tank, but for the electrode's potential, which moves with a wrong volume."""
    fault = {"kind": "pump-gain-shift", "at_h": 26.0, "size": -0.04}
    determinations = simulate(tmp_path, fault=[fault], **UP_TO_THE_ANSWER)
    first, second = since(26.0, determinations)

    assert first["verdict"] == "suspect"
    assert (second["verdict"], second["reasons"]) == ("provisional", ["step-unexplained"])


def test_a_bench_that_stays_in_doubt_is_asked_twice_and_not_again_and_again(tmp_path):
    """Slots at 28, 32 and 36 h: two pairs, and one alone."""
    determinations = simulate(tmp_path, fault=[{"kind": "ph-noisy", "at_h": 26.0, "size": 4.0}])
    doubted = [d for d in determinations if d["started_h"] > 26.0]

    assert all(d["alkalinity"]["verdict"] != "accepted" for d in doubted)
    assert len(doubted) <= 5
