"""What a guided procedure needs of the person at the bench, and what comes of it: a calibration, or its refusal.

A procedure asks; whoever stands behind the guide (a terminal over SSH, a script, a test's keeper) answers. Liquid
moves and time passes through the bench as ever, so that interlocks are scanned while it waits for an answer.
"""

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Protocol

from saltern.errors import SalternError


class Guide(Protocol):
    """The person, as a procedure sees them."""

    def confirm(self, key: str, text: str) -> None:
        """Ask that something be done, and come back when it is.

        Raises
        ------
        SalternError
            Nobody answered in time, or a stop was asked for.
        """
        ...

    def number(self, key: str, text: str, unit: str, low: float, high: float) -> float:
        """Ask for a number between `low` and `high`; one that is not is asked for again."""
        ...

    def say(self, text: str) -> None:
        """Tell how it goes."""
        ...

    def see(self, what: str, value: float, unit: str) -> None:
        """Show what the instrument reads now."""
        ...


class Kind(StrEnum):
    """What can be calibrated."""

    SAMPLE_PUMP = "sample-pump"
    WASTE_PUMP = "waste-pump"
    TITRANT_PUMP = "titrant-pump"
    PH = "ph"
    CONDUCTIVITY = "conductivity"
    TEMPERATURE = "temperature"
    TITRANT = "titrant"  # the bottle: its strength, as the label says
    TITRE = "titre"


class Cause(StrEnum):
    """Why an outcome is not believed."""

    AIR_IN_LINE = "air-in-the-line"
    SCATTER = "replicates-scatter"
    DIFFERS = "differs-from-the-last"
    WRONG_BUFFER = "wrong-buffer"
    BUFFERS_SWAPPED = "buffers-swapped"
    DRIFTING = "drifting-probe"
    SLOPE = "slope-out-of-bounds"
    OFFSET = "offset-out-of-bounds"
    POLARITY = "polarity"
    BUBBLE = "bubble-at-the-cell"
    STANDARDS_SWAPPED = "standards-swapped"
    WRONG_STANDARD = "wrong-standard"
    NOT_AT_TEMPERATURE = "not-at-temperature"
    NOT_BELIEVED = "determinations-not-believed"
    JUMP = "jump-across-bottles"
    EXPIRED = "expired"
    RECOVERY = "recovery-out-of-bounds"
    NO_BENCH = "no-bench-could-run-with-it"


Value = float | str | None


@dataclass(frozen=True)
class Calibration:
    """What a procedure found.

    `values` are options of the bench file by their dotted names: while the calibration is in force they count instead
    of what the file says.
    """

    kind: Kind
    values: dict[str, Value]
    words: str
    statistics: dict[str, float] = field(default_factory=dict)
    readings: tuple[dict[str, Value], ...] = ()
    remarks: tuple[str, ...] = ()


class RefusedError(SalternError):
    """A calibration came to an outcome that must not be believed; what was in force stays in force."""

    def __init__(
        self,
        cause: Cause,
        what: str,
        *,
        kind: Kind,
        remedy: str,
        readings: tuple[dict[str, Value], ...] = (),
    ) -> None:
        super().__init__(f"{what} ({cause.value})", where=f"calibration of {kind.value}", remedy=remedy)
        self.cause = cause
        self.kind = kind
        self.readings = readings


class NobodyAnsweredError(SalternError):
    """A question stood for too long; the procedure has ended, and changed nothing."""
