"""The options of guided procedures, as a client may give them: one model a procedure, every field bounded.

A procedure takes a dataclass of its own with the same fields. What passes here becomes that dataclass; what does not
pass is refused before anything moves.
"""

from datetime import date
from itertools import pairwise
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from saltern.chemistry.standards import KCL_MS_CM, standard_ms_cm
from saltern.procedures.calibrate_ph import SHORT, value_of

LABEL_PH = (2.0, 12.0)
"""pH that a glass electrode is calibrated at: beyond, acid and alkaline errors begin (common practice)."""

STANDARD_MS_CM = (0.1, 150.0)
"""From a hundredth-molal potassium chloride down a decade, to twice the conductivity of seawater."""

BUFFERS_APART_PH = 0.3
"""Nearer buffers give no slope; the nearest two of the tables lie 0.5 apart."""


class Options(BaseModel):
    """Options of one procedure: named, bounded, none unknown."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, str_max_length=500)


def _is_day(text: str) -> str:
    try:
        date.fromisoformat(text)
    except ValueError as error:
        msg = "the calendar has no such day"
        raise ValueError(msg) from error
    return text


def _is_buffer(text: str) -> str:
    low, high = LABEL_PH
    try:
        known = text.isascii() and low <= value_of(text, 25.0) <= high
    except ValueError:
        known = False
    if not known:
        msg = f"it is neither a label's pH from {low:g} to {high:g} nor one of {', '.join(SHORT)}"
        raise ValueError(msg)
    return text


def _is_standard(text: str) -> str:
    low, high = STANDARD_MS_CM
    try:
        known = text.isascii() and low <= standard_ms_cm(text, 25.0) <= high
    except ValueError:
        known = False
    if not known:
        msg = (
            f"it is neither a practical salinity from 2 to 42, nor one of {', '.join(KCL_MS_CM)}, nor a label such as "
            f"'53.0 mS/cm' from {low:g} to {high:g}"
        )
        raise ValueError(msg)
    return text


def _apart(buffers: tuple[str, ...]) -> tuple[str, ...]:
    values = sorted(value_of(name, 25.0) for name in buffers)
    if any(after - before < BUFFERS_APART_PH for before, after in pairwise(values)):
        msg = f"two of the buffers lie less than {BUFFERS_APART_PH:g} pH apart"
        raise ValueError(msg)
    return buffers


def _differ(standards: tuple[str, ...]) -> tuple[str, ...]:
    values = [standard_ms_cm(name, 25.0) for name in standards]
    if len(values) == 2 and abs(values[0] - values[1]) < 0.02 * max(values):
        msg = "the two standards have the same conductivity within 2 %"
        raise ValueError(msg)
    return standards


Day = Annotated[str, Field(pattern="^[0-9]{4}-[0-9]{2}-[0-9]{2}$"), AfterValidator(_is_day)]
Lot = Annotated[str, Field(max_length=80)]
Buffer = Annotated[str, Field(min_length=1, max_length=40), AfterValidator(_is_buffer)]
Standard = Annotated[str, Field(min_length=1, max_length=40), AfterValidator(_is_standard)]
CarbonateUmolKg = Annotated[float, Field(ge=300, le=6000)]


class Pump(Options):
    pump: Literal["sample", "waste", "titrant"]
    times: int = Field(default=3, ge=1, le=10)
    by: Literal["mass", "volume"] = "mass"
    reading_u: float | None = Field(default=None, gt=0, le=10)
    volume_ml: float | None = Field(default=None, ge=0.1, le=1000)
    liquid: Literal["water", "tank", "titrant"] | None = None
    salinity: float | None = Field(default=None, ge=0, le=50)
    new_tube: bool = False
    small_doses: int = Field(default=0, ge=0, le=100)


class Ph(Options):
    buffers: Annotated[tuple[Buffer, ...], Field(min_length=1, max_length=3), AfterValidator(_apart)] = (
        "phosphate",
        "phthalate",
    )


class Conductivity(Options):
    standards: Annotated[tuple[Standard, ...], Field(min_length=1, max_length=2), AfterValidator(_differ)] = ("35",)
    together_s: float = Field(default=600.0, ge=0, le=7200)


class Temperature(Options):
    thermometer_u_k: float = Field(default=0.1, ge=0.005, le=2)


class Standardise(Options):
    alkalinity_umol_kg: float = Field(ge=100, le=8000)
    u_umol_kg: float = Field(ge=0.01, le=200)
    medium: Literal["seawater", "nacl"] = "seawater"
    times: int = Field(default=3, ge=1, le=6)
    lot: Lot = ""
    expires: Day | None = None
    by_hand: bool = True


class Bottle(Options):
    lot: Lot = ""
    expires: Day | None = None
    mol_per_l: float | None = Field(default=None, gt=0.005, le=0.5)
    u_percent: float | None = Field(default=None, ge=0, le=10)
    volume_ml: float | None = Field(default=None, ge=10, le=50_000)
    bridge: bool = False


class Prime(Options):
    pump: Literal["sample", "titrant"]
    volume_ml: float | None = Field(default=None, ge=0.01, le=1000)
    drain_first: bool = True


class Spike(Options):
    added_umol_kg: float = Field(ge=50, le=3000)
    u_umol_kg: float = Field(default=0.0, ge=0, le=1000)


class Blank(Options):
    high_umol_kg: CarbonateUmolKg
    low_umol_kg: CarbonateUmolKg
    times: int = Field(default=2, ge=1, le=6)


class Tris(Options):
    salinity: float = Field(default=35.0, ge=20, le=40)


class Park(Options):
    flushes: int = Field(default=2, ge=1, le=10)


class Resume(Options):
    """Nothing to choose."""


OPTIONS: dict[str, type[Options]] = {
    "calibrate-pump": Pump,
    "calibrate-ph": Ph,
    "calibrate-conductivity": Conductivity,
    "calibrate-temperature": Temperature,
    "standardise": Standardise,
    "change-bottle": Bottle,
    "prime": Prime,
    "spike": Spike,
    "blank": Blank,
    "check-tris": Tris,
    "park": Park,
    "resume": Resume,
}
