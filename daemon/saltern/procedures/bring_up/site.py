"""What a step of the bring-up is handed, what it finds, and how it refuses."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from saltern.bench.bench import Bench
from saltern.model.calibration import Cause, Kind, RefusedError, Value
from saltern.procedures.prompts import Prompts


@dataclass(frozen=True)
class Amiss:
    """Something of the computer that is not as it must be, and what to type."""

    what: str
    remedy: str


@dataclass(frozen=True)
class Site:
    """The bench, the person, and what a step needs of the service beside them.

    Parameters
    ----------
    bench, prompts
        Where liquid moves, and who is asked.
    computer
        Looks at the computer; returns what is amiss.
    proved
        Keeps that an interlock was seen to act, or not.
    remembered
        Returns what this step left for its next run, which may be in another process; None where nothing.
    remember
        Keeps that; None forgets it.
    """

    bench: Bench
    prompts: Prompts
    computer: Callable[[], Sequence[Amiss]]
    proved: Callable[[str, bool], None]
    remembered: Callable[[], Any]
    remember: Callable[[Any], None]


@dataclass(frozen=True)
class Found:
    """What a step found. `values` are options of the bench file by their dotted names, as in a calibration."""

    words: str
    values: dict[str, Value] = field(default_factory=dict)
    statistics: dict[str, float] = field(default_factory=dict)


class StepRefusedError(RefusedError):
    """A step was not passed; it says what was seen, and what to do."""

    def __init__(self, kind: Kind, cause: Cause, what: str, remedy: str) -> None:
        super().__init__(cause, what, kind=kind, remedy=f"{remedy}. Then: saltern bring-up", where=kind.value)


def choose(prompts: Prompts, key: str, text: str, answers: Sequence[str]) -> int:
    """Ask for one of a few answers by its number, from 1; what is not whole is asked again."""
    listed = ", ".join(f"{number} = {answer}" for number, answer in enumerate(answers, start=1))
    while True:
        given = prompts.number(key, f"{text} {listed}", "number", 1.0, float(len(answers)))
        if given == round(given):
            return int(given)
        prompts.say(f"{given:g} is none of them")
