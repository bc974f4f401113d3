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
    # that a step of the bring-up was passed; what it measured counts as a calibration does
    BRING_UP_COMPUTER = "bring-up-computer"
    BRING_UP_OUTPUTS = "bring-up-outputs"
    BRING_UP_INPUTS = "bring-up-inputs"
    BRING_UP_PERMITS = "bring-up-permits"
    BRING_UP_TURNING = "bring-up-turning"
    BRING_UP_WATER = "bring-up-water"
    BRING_UP_LEAKS = "bring-up-leaks"
    BRING_UP_FLOATS = "bring-up-floats"
    BRING_UP_PROBES = "bring-up-probes"
    BRING_UP_KILL = "bring-up-kill"
    BRING_UP_VESSEL = "bring-up-vessel"
    BRING_UP_ACID = "bring-up-acid"


class Cause(StrEnum):
    """Why an outcome is not used."""

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
    NOT_ACCEPTED = "determinations-not-accepted"
    JUMP = "jump-across-bottles"
    EXPIRED = "expired"
    RECOVERY = "recovery-out-of-bounds"
    NO_BENCH = "no-bench-could-run-with-it"
    NOT_PASSED = "step-not-passed"
    NOT_READY = "computer-not-ready"
    DARK = "output-does-not-answer"
    WRONG_INPUT = "wrong-input-answers"
    NO_INPUT = "input-does-not-answer"
    LOOSE = "loose-plug"
    LAPSE = "permit-lapse-out-of-bounds"
    STANDS = "pump-stands-still"
    REVERSED = "pump-turns-backwards"
    NOT_SEEN = "water-not-seen-by-the-cell"
    NO_FLOW = "nothing-comes-out"
    ACID_TOO_EARLY = "acid-before-its-step"
    NO_ACID = "no-acid-comes"
    NOT_TANK_WATER = "water-without-alkalinity"
    DRIPS = "drips"
    FLOAT = "float-does-not-cut"
    STOP = "stop-does-not-cut"
    CELL = "cell-shows-what-is-not-there"
    GROUND_LOOP = "ground-loop"
    NOT_KILLED = "not-killed"
    RAN_ON = "pump-ran-on"
    HEIGHTS = "vessel-is-not-as-stated"


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
    """A calibration came to an outcome that must not be used; what was in force stays in force."""

    def __init__(
        self,
        cause: Cause,
        what: str,
        *,
        kind: Kind,
        remedy: str,
        readings: tuple[dict[str, Value], ...] = (),
        where: str | None = None,
    ) -> None:
        super().__init__(f"{what} ({cause.value})", where=where or f"calibration of {kind.value}", remedy=remedy)
        self.cause = cause
        self.kind = kind
        self.readings = readings
