"""Boards that drop off their ports, at rest and at work, come back: the bench measures again unattended."""

import json

import pytest

from tests.cli.command import run
from tests.faults.campaign import PHASES, SOUND_SEEDS, STRUCK, Case, fault, play
from tests.sizes import SOAK, sizes

EVERY_H = 4.0


def play_scenario(tmp_path, text):
    path = tmp_path / "scenario.toml"
    path.write_text(text)
    code, out, _ = run("simulate", path, "--json")
    assert code == 0
    return json.loads(out)


@pytest.mark.parametrize("days", sizes(1.0, in_soak=2.0))
def test_boards_that_are_gone_for_72_s_at_rest_cost_no_determination(tmp_path, days):
    """Before ports were opened again this left all nine later determinations void."""
    played = play_scenario(
        tmp_path,
        f"""
        seed = 7
        days = {days}
        [keeper]
        attentive = false
        [schedule]
        every_h = {EVERY_H}
        [[fault]]
        kind = "serial-renumbered"
        at_h = 9.5
        for_h = 0.02
        """,
    )
    verdicts = [d["alkalinity"]["verdict"] for d in played["determinations"]]

    assert len(verdicts) == 1 + 24 * days / EVERY_H  # the first is measured twice
    assert verdicts.count("void") == 0
    assert verdicts[1:].count("accepted") >= 0.9 * len(verdicts[1:])


def struck(*phases):
    """Return phases and seeds to be struck: these on every run with one seed, all with all in `make soak`."""
    every_run = [(phase, SOUND_SEEDS[0]) for phase in phases]
    rest = [(phase, seed) for phase in PHASES for seed in SOUND_SEEDS if (phase, seed) not in every_run]
    return [*every_run, *(pytest.param(*one, marks=SOAK) for one in rest)]


@pytest.mark.parametrize(("phase", "seed"), struck("fill", "titrate", "empty after titration"))
def test_boards_that_are_gone_for_72_s_in_a_determination_cost_no_later_one(phase, seed):
    """Only the drain rests until the cell's board is back: drained unseen, a full vessel is never proved empty."""
    after_s = 2.0 + (37.0 * seed) % 20.0
    outcome = play(Case(seed, (fault("serial-renumbered", phase, after_s, 0.02, None),)))

    assert outcome.violated == {}
    assert outcome.trips == set()
    assert outcome.verdicts[STRUCK:]
    assert "void" not in outcome.verdicts[STRUCK:]
    assert outcome.verdicts[-1] == "accepted"


@pytest.mark.parametrize(
    "for_h", [pytest.param(None, id="at once", marks=SOAK), pytest.param(0.0003, id="after a second")]
)
@pytest.mark.parametrize(("phase", "seed"), struck("titrate"))
def test_boards_that_are_back_within_a_second_cost_not_even_that_determination(phase, seed, for_h):
    after_s = 2.0 + (37.0 * seed) % 20.0
    outcome = play(Case(seed, (fault("serial-renumbered", phase, after_s, for_h, None),)))

    assert outcome.violated == {}
    assert "void" not in outcome.verdicts
