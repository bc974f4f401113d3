"""What an operator may say to a bench, as words: one model a command. Socket, terminal and scenario share them."""

from collections.abc import Sequence
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from saltern.errors import ConfigError

MOST_HOLD_H = MOST_BYPASS_H = 72.0
"""A long weekend: what is held or bypassed ends by itself, and is said again if it must last longer."""

MOST_SHOWN = 60
"""Characters of a wrong word that an error shows."""

Name = Annotated[str, Field(min_length=1, max_length=60)]


class Command(BaseModel):
    """One command; its fields are the words after its name, in their order."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Reset(Command):
    """Clear latched interlocks."""


class Empty(Command):
    """Drain the vessel."""


class Rinse(Command):
    """Drain, rinse, and leave the probes in fresh sample."""


class Measure(Command):
    """Carry out a determination of the tank."""


class PartReplaced(Command):
    what: Literal["titrant", "reference"]


class PartEmptied(Command):
    what: Literal["vessel", "waste"]


class PartInstalled(Command):
    name: Name


class Hold(Command):
    """Start nothing by schedule; 0 lets it go on."""

    hours: float = Field(ge=0, le=MOST_HOLD_H)


class Proved(Command):
    """What came of the proof test of one interlock."""

    interlock: Name
    outcome: Literal["passed", "failed"]
    who: Name


class ProofTest(Command):
    """Say that a proof test is under way, or over."""

    act: Literal["begins", "ends"]


class Commission(Command):
    """Say that the bench may be used."""

    who: Name
    why: str = Field(min_length=1, max_length=500)


class Bypass(Command):
    """Leave an interlock out of account."""

    name: Name
    hours: float = Field(gt=0, le=MOST_BYPASS_H)
    why: str = Field(min_length=1, max_length=500)


COMMANDS: dict[tuple[str, ...], type[Command]] = {
    ("reset",): Reset,
    ("empty",): Empty,
    ("rinse",): Rinse,
    ("measure",): Measure,
    ("part", "replaced"): PartReplaced,
    ("part", "emptied"): PartEmptied,
    ("part", "installed"): PartInstalled,
    ("hold",): Hold,
    ("proved",): Proved,
    ("bypass",): Bypass,
    ("proof-test",): ProofTest,
    ("commission",): Commission,
}


def command_of(words: Sequence[str]) -> Command:
    """Return the command that these words are.

    Raises
    ------
    ConfigError
        There is no such command, or a word of it is wrong.
    """
    for name, model in COMMANDS.items():
        if tuple(words[: len(name)]) == name:
            return _filled(name, model, list(words[len(name) :]))
    forms = ", ".join(form(name, model) for name, model in COMMANDS.items())
    said = shortened(" ".join(words))
    raise ConfigError(f"there is no command {said!r}", where="operator", remedy=f"Commands are: {forms}")


def form(name: tuple[str, ...], model: type[Command]) -> str:
    """Return how a command is said, its fields in capitals."""
    return " ".join((*name, *(key.upper() for key in model.model_fields)))


def shortened(text: str) -> str:
    """Return text as an error shows it: an error is read, and what was sent may be anything."""
    return text if len(text) <= MOST_SHOWN else f"{text[:MOST_SHOWN]}..."


def _filled(name: tuple[str, ...], model: type[Command], words: list[str]) -> Command:
    keys, said = list(model.model_fields), shortened(" ".join((*name, *words)))
    usage = f"Say: {form(name, model)}"
    if len(words) != len(keys):
        what = f"there is no command {said!r}: it takes {len(keys)} words after {' '.join(name)}"
        raise ConfigError(what, where="operator", remedy=usage)
    try:
        return model.model_validate(dict(zip(keys, words, strict=True)))
    except ValidationError as error:
        first = error.errors()[0]
        what = f"there is no command {said!r}: {str(first['loc'][0]).upper()}: {first['msg']}"
        raise ConfigError(what, where="operator", remedy=usage) from error
