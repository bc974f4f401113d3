"""Boards that drop off their ports, at rest and at work, come back: the bench measures again unattended."""

import json
import os

import pytest

from tests.cli.command import run
from tests.faults.campaign import PHASES, SOUND_SEEDS, Case, fault, play

EVERY_H, DAYS = 4.0, 2.0


def play_scenario(tmp_path, text):
    path = tmp_path / "scenario.toml"
    path.write_text(text)
    code, out, _ = run("simulate", path, "--json")
    assert code == 0
    return json.loads(out)


def test_boards_that_are_gone_for_72_s_at_rest_cost_no_determination(tmp_path):
    """Before ports were opened again this left all nine later determinations void."""
    played = play_scenario(
        tmp_path,
        f"""
        seed = 7
        days = {DAYS}
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

    assert len(verdicts) == 24 * DAYS / EVERY_H
    assert verdicts.count("void") == 0
    assert verdicts.count("accepted") >= 0.9 * len(verdicts)


@pytest.mark.parametrize("for_h", [None, 0.0003, 0.02], ids=["at once", "after a second", "after 72 s"])
@pytest.mark.parametrize("phase", PHASES if os.environ.get("SALTERN_SOAK") else ("rinse 1", "measure", "titrate"))
def test_boards_that_drop_off_in_a_determination_cost_no_later_one(phase, for_h):
    for seed in SOUND_SEEDS if os.environ.get("SALTERN_SOAK") else SOUND_SEEDS[:1]:
        after_s = 2.0 + (37.0 * seed) % 20.0
        outcome = play(Case(seed, (fault("serial-renumbered", phase, after_s, for_h, None),)))

        assert outcome.violated == {}
        assert outcome.trips == set()
        assert outcome.verdicts[2:]
        assert set(outcome.verdicts[2:]) == {"accepted"}
