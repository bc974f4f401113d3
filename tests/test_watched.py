"""Whoever watches a determination hears how far it is, how long it takes, the number so far, and what follows."""

from itertools import pairwise

import pytest

from saltern.chemistry.alkalinity_unit import AlkalinityUnit
from saltern.cli.logs import quiet_logs
from saltern.cli.present_curve import Watched
from saltern.cli.present_progress import progress, so_far
from saltern.cli.simulation import Stage, bench_of
from saltern.model.determination import Source
from saltern.model.phase import OF_A_DETERMINATION, SHOWN, Phase, turn_of
from saltern.rpc import replies
from saltern_drivers.twin.scenario import Scenario

BUBBLE = {"kind": "titrant-line-air", "at_phase": "fill", "determination": 3, "after_s": 1.0, "size": 0.1}


def stage_of(tmp_path, **scenario):
    """Return a stage, and a list that its service's events come into."""
    quiet_logs()
    made = Scenario.model_validate({"seed": 11, "days": 2.0, **scenario})
    stage, events = Stage(made, bench_of(made, tmp_path), str(tmp_path / "saltern.sqlite")), []
    heard = stage.computer.service.on_event

    def hear(kind, what):
        heard(kind, what)
        events.append((kind, what))

    stage.computer.service.on_event = hear
    return stage, events


@pytest.fixture(scope="module")
def three(tmp_path_factory):
    """What was heard of each of three determinations; the first one, after a start, takes longer, and is repeated."""
    stage, events = stage_of(tmp_path_factory.mktemp("bench"))
    service = stage.computer.service
    service.measure(Source.TANK)
    service.measure(Source.TANK)
    heard = [[]]
    for kind, what in events:
        if kind == "step":
            heard[-1].append(what)
        elif kind == "finished":
            heard.append([])
    results = [service.store.determination(number) for number in (1, 2, 3)]
    stage.close()
    return heard[:3], results


def test_phases_are_counted_forwards_to_the_last_one(three):
    for steps in three[0]:
        turns = [step["turn"] for step in steps]
        assert all(before <= after for before, after in pairwise(turns))
        assert (turns[0], turns[-1]) == (1, len(OF_A_DETERMINATION))
        assert set(turns) == set(range(1, len(OF_A_DETERMINATION) + 1))
        assert {step["turns"] for step in steps} == {len(OF_A_DETERMINATION)}
        for step in steps:
            replies.Step.model_validate(step)


def test_how_long_it_takes_is_known_once_one_has_been_measured(three):
    (first, _, third), (*_, done) = three
    took_s = done.finished_s - done.started_s

    assert {step["left_s"] for step in first} == {None}
    for step in third:
        was_left_s = done.finished_s - step["at_s"]
        assert abs(step["left_s"] - was_left_s) < 0.1 * took_s
    assert third[0]["left_s"] > 0.8 * took_s


def test_the_number_so_far_comes_with_the_end_point_and_closes_on_the_result(three):
    for steps, done in zip(*three, strict=True):
        seen = [step["so_far"] for step in steps]
        titrated = next(place for place, step in enumerate(steps) if step["in_phase"] is Phase.TITRATE)
        assert set(map(str, seen[: titrated + 3])) == {"None"}
        last = next(one for one in reversed(seen) if one is not None)
        assert last["umol_per_kg"] == pytest.approx(done.alkalinity.value, rel=0.01)
        assert last["dkh"] == pytest.approx(last["umol_per_kg"] / 348.0, rel=0.01)  # at salinity 35


def test_a_surprise_says_that_another_one_follows(tmp_path, capsys):
    stage, events = stage_of(tmp_path, fault=[BUBBLE])
    while sum(kind == "finished" for kind, _ in events) < 4:
        stage.computer.service.measure(Source.TANK)
    stage.close()
    finished = [what for kind, what in events if kind == "finished"]

    assert [what["followed"] for what in finished[:4]] == [True, False, True, False]
    assert finished[2]["alkalinity"]["verdict"] == "suspect"
    with Watched({"what": "measure tank", "phase": "starting", "points": []}, AlkalinityUnit.DKH, silent=False) as seen:
        seen.again(finished[2])
    assert "It is measured once more" in " ".join(capsys.readouterr().out.split())


def test_every_phase_of_a_determination_is_counted_and_no_other():
    assert set(OF_A_DETERMINATION) <= set(SHOWN)
    assert [turn_of(phase) for phase in OF_A_DETERMINATION] == list(range(1, len(OF_A_DETERMINATION) + 1))
    assert turn_of(Phase.PRIME) == 0


@pytest.mark.parametrize(
    ("running", "said"),
    [
        ({"what": "empty"}, ""),
        ({"turn": 8, "turns": 11, "left_s": None}, " (phase 8 of 11)"),
        ({"turn": 8, "turns": 11, "left_s": 181.0}, " (phase 8 of 11, about 4 min left)"),
        ({"turn": 8, "turns": 11, "left_s": 0.0}, " (phase 8 of 11, longer than usual)"),
    ],
)
def test_how_far_it_is_is_said_in_words(running, said):
    assert progress(running) == said


def test_the_number_so_far_is_in_the_keepers_unit():
    running = {"so_far": {"umol_per_kg": 2451.3, "dkh": 7.043}}

    assert so_far(running, AlkalinityUnit.DKH) == ", so far about 7.04 dKH"
    assert so_far(running, AlkalinityUnit.UMOL_KG) == ", so far about 2451 umol/kg"
    assert so_far({"so_far": None}, AlkalinityUnit.DKH) == ""
