"""Phases that a scenario may name: a closed list, and each phase that a determination shows is in it."""

from pathlib import Path

import pytest
from pydantic import ValidationError

from saltern.cli.simulation import load_scenario, run
from saltern.errors import StartupError
from saltern_drivers.twin.scenario import ALIASES, PHASES, Scenario, shown_in, without_turn


def fault(**changes):
    struck = {"kind": "leak", "at_phase": "titrate", "determination": 1, **changes}
    return Scenario.model_validate({"seed": 1, "days": 1.0, "fault": [struck]})


@pytest.mark.parametrize("phase", ["titrat", "Titrate", "", "titrate ", "rinse 1", "anything", "x" * 501, "titrate\n"])
def test_a_phase_that_is_none_is_refused(phase):
    with pytest.raises(ValidationError, match=r"is not a phase; choose of look|at most 500"):
        fault(at_phase=phase)


@pytest.mark.parametrize("phase", [*PHASES, *ALIASES])
def test_every_phase_of_the_list_is_taken(phase):
    assert fault(at_phase=phase).fault[0].at_phase == phase


@pytest.mark.parametrize("after_s", [float("nan"), float("inf")])
def test_a_time_that_is_not_finite_is_refused(after_s):
    with pytest.raises(ValidationError, match="finite"):
        fault(after_s=after_s)


def test_every_phase_that_a_determination_shows_has_a_name():
    shown = []
    run(Scenario(seed=1, days=0.05), Path(), watcher=lambda step: shown.append(step.phase))
    named = {text for phase in PHASES for text in shown_in(phase)}

    assert {without_turn(phase) for phase in shown} <= named
    for phase in ("look", "prove", "empty", "rinse", "fill", "measure", "titrate", "evaluate", "empty-after", "idle"):
        assert {without_turn(text) for text in shown} & set(shown_in(phase)), phase


def test_a_command_that_no_bench_has_is_refused_with_the_scenario(tmp_path):
    path = tmp_path / "scenario.toml"
    path.write_text('seed = 1\ndays = 1.0\n[[operator]]\nat_h = 1.0\ncommand = ["rest"]\n')
    with pytest.raises(StartupError, match="there is no command 'rest'"):
        load_scenario(path)
