"""What the keeper writes down: doses, dosers, water changes, tests, events, remarks. Each kind says what it must hold.

Command line, socket and scenario share these models. Nothing is deleted: an entry that was undone stays with its mark.
"""

from datetime import datetime
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, model_validator

TESTED: dict[str, tuple[float, float]] = {
    "alkalinity_dkh": (0.0, 30.0),
    "ph": (0.0, 14.0),
    "salinity": (0.0, 50.0),
    "calcium_mg_l": (0.0, 2000.0),
    "magnesium_mg_l": (0.0, 5000.0),
    "phosphate_mg_l": (0.0, 50.0),
    "nitrate_mg_l": (0.0, 2000.0),
    "other": (-1e6, 1e6),
}
"""What another test may say: more than any tank holds, and less than a slip of the keyboard."""

Quantity = Literal[
    "alkalinity_dkh", "ph", "salinity", "calcium_mg_l", "magnesium_mg_l", "phosphate_mg_l", "nitrate_mg_l", "other"
]


class _Entry(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Dose(_Entry):
    """Something that raises alkalinity, or another supplement, went into the tank."""

    kind: Literal["dose"] = "dose"
    chemical: str = Field(min_length=1, max_length=80, description="its strength is known from tank.supplements")
    amount: float = Field(gt=0, le=100_000)
    unit: Literal["mL", "g"] = "mL"


class DoserChange(_Entry):
    """From now on a doser gives so much of one supplement a day; 0 stops it."""

    kind: Literal["doser"] = "doser"
    supplement: str = Field(min_length=1, max_length=80)
    ml_per_day: float = Field(ge=0, le=100_000)


class WaterChange(_Entry):
    """Some water was replaced."""

    kind: Literal["water-change"] = "water-change"
    litres: float = Field(gt=0, le=100_000)
    alkalinity_dkh: float | None = Field(default=None, ge=0, le=30)
    salinity: float | None = Field(default=None, ge=0, le=50)


class OtherTest(_Entry):
    """A value measured by other means."""

    kind: Literal["test"] = "test"
    quantity: Quantity
    value: float
    method: str = Field(min_length=1, max_length=80)
    u: float | None = Field(default=None, gt=0, le=1e6, description="standard uncertainty (k = 1), in the value's unit")

    @model_validator(mode="after")
    def _within_its_bounds(self) -> "OtherTest":
        low, high = TESTED[self.quantity]
        if not low <= self.value <= high:
            msg = f"{self.quantity} lies between {low:g} and {high:g}"
            raise ValueError(msg)
        return self


class Event(_Entry):
    """Something that happened to the tank, and may be why it changes."""

    kind: Literal["event"] = "event"
    what: Literal["coral-added", "coral-removed", "pump-stopped", "pump-started", "light-changed", "other"]
    text: str = Field(default="", max_length=500)


class Remark(_Entry):
    """Anything worth remembering."""

    kind: Literal["remark"] = "remark"
    text: str = Field(min_length=1, max_length=500)


AnyEntry = Dose | DoserChange | WaterChange | OtherTest | Event | Remark
Entry = Annotated[AnyEntry, Field(discriminator="kind")]
ENTRY: TypeAdapter[AnyEntry] = TypeAdapter(Entry)


class Logged(BaseModel):
    """An entry with its time.

    Attributes
    ----------
    id, at, entry
        Its number, when it happened, what it says.
    who, said_at
        Who wrote it down, and when; empty and None for one of an earlier version.
    corrects
        The number of the entry in whose place it stands.
    batch
        Entries of one import have one number: that of the first.
    undone_at, undone_by
        When and by whom it was undone, or corrected: it no longer counts.
    """

    model_config = ConfigDict(frozen=True)

    id: int
    at: datetime
    entry: Entry
    who: str = ""
    said_at: datetime | None = None
    corrects: int | None = None
    batch: int | None = None
    undone_at: datetime | None = None
    undone_by: str = ""
