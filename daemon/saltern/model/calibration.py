"""What comes of a calibration: what was found, or why it must not be accepted."""

from dataclasses import dataclass, field
from enum import StrEnum

from saltern.errors import SalternError


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
    TRIS = "tris"  # how far pH reads off on the total scale


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
