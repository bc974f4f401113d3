"""The phases are a closed list: procedures, the socket and scenarios speak of the same ones."""

import re
from pathlib import Path

import pytest

import saltern.procedures
from saltern.model.determination import Source
from saltern.model.phase import SHOWN, Phase, phase_of
from saltern.ports import MisuseError
from saltern_drivers.twin import scenario
from tests.keeper import keeper

STATED = (
    "look", "recover", "prove", "discard-tip", "empty", "rinse", "fill", "draw-down", "measure", "titrate", "evaluate",
    "empty-after", "keep-wet", "prime", "idle",
)  # fmt: skip


def test_the_list_is_the_stated_one():
    assert tuple(phase.value for phase in Phase) == STATED
    assert set(SHOWN) == set(Phase)
    words = [shown for each in SHOWN.values() for shown in each]
    assert len(words) == len(set(words))


def test_a_scenario_knows_the_same_phases_and_what_they_show():
    assert set(scenario.PHASES) == {phase.value for phase in Phase}
    for name, words in scenario.PHASES.items():
        assert {phase_of(shown) for shown in words} == {Phase(name)}
    for words in scenario.ALIASES.values():
        assert all(phase_of(shown) for shown in words)


def test_a_turn_is_no_phase_of_its_own_and_an_unknown_one_is_refused():
    assert phase_of("rinse 1 of 2") is Phase.RINSE
    assert phase_of("empty after rinse 2") is Phase.RINSE
    for unknown in ("", "titrating", "Fill", "fill 1 of"):
        with pytest.raises(MisuseError):
            phase_of(unknown)


def test_what_the_procedures_name_is_in_the_list():
    """Literal names alone; those that are put together have their turn at the end."""
    folder = Path(saltern.procedures.__file__).parent
    named = re.compile(r"(?:notebook\.enter\(|(?:empty|fill)\([^()]*(?:\([^()]*\))?[^()]*, )f?\"([^\"]+)\"")
    found = [name for file in folder.glob("*.py") for name in named.findall(file.read_text(encoding="utf-8"))]
    assert len(found) > 15
    for name in found:
        assert phase_of(re.sub(r"\{[^}]*\}", "1", name).replace("prime 1", "prime sample"))


def test_a_whole_determination_goes_through_them_in_order():
    hands = keeper(seed=3)
    seen = []
    hands.service.watcher = lambda step: seen.append(step.in_phase)
    hands.service.measure(Source.TANK)
    once = [phase for place, phase in enumerate(seen) if place == 0 or seen[place - 1] is not phase]
    expected = [Phase.FILL, Phase.MEASURE, Phase.TITRATE, Phase.EVALUATE, Phase.EMPTY_AFTER, Phase.KEEP_WET, Phase.IDLE]

    assert once[0] is Phase.LOOK
    assert once[-len(expected) :] == expected
