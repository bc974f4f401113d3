"""What the keeper writes down: doses, water changes, other tests, remarks. Each kind says what it must hold."""

from datetime import datetime
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, model_validator

TESTED: dict[str, tuple[float, float]] = {
    "alkalinity_dkh": (0.0, 30.0),
    "ph": (0.0, 14.0),
    "salinity": (0.0, 50.0),
    "calcium_mg_l": (0.0, 2000.0),
    "magnesium_mg_l": (0.0, 5000.0),
    "nitrate_mg_l": (0.0, 2000.0),
    "other": (-1e6, 1e6),
}
"""What another test may say: more than any tank holds, and less than a slip of the keyboard."""


class _Entry(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Dose(_Entry):
    """Something that raises alkalinity, or another supplement, went into the tank."""

    kind: Literal["dose"] = "dose"
    chemical: str = Field(min_length=1, max_length=80)
    amount: float = Field(gt=0, le=100_000)
    unit: Literal["mL", "g"] = "mL"


class WaterChange(_Entry):
    """Some water was replaced."""

    kind: Literal["water-change"] = "water-change"
    litres: float = Field(gt=0, le=100_000)
    alkalinity_dkh: float | None = Field(default=None, ge=0, le=30)
    salinity: float | None = Field(default=None, ge=0, le=50)


class OtherTest(_Entry):
    """A value measured by other means."""

    kind: Literal["test"] = "test"
    quantity: Literal["alkalinity_dkh", "ph", "salinity", "calcium_mg_l", "magnesium_mg_l", "nitrate_mg_l", "other"]
    value: float
    method: str = Field(min_length=1, max_length=80)

    @model_validator(mode="after")
    def _within_its_bounds(self) -> "OtherTest":
        low, high = TESTED[self.quantity]
        if not low <= self.value <= high:
            msg = f"{self.quantity} lies between {low:g} and {high:g}"
            raise ValueError(msg)
        return self


class Remark(_Entry):
    """Anything worth remembering."""

    kind: Literal["remark"] = "remark"
    text: str = Field(min_length=1, max_length=500)


Entry = Annotated[Dose | WaterChange | OtherTest | Remark, Field(discriminator="kind")]
ENTRY: TypeAdapter[Dose | WaterChange | OtherTest | Remark] = TypeAdapter(Entry)


class Logged(BaseModel):
    """An entry with its time."""

    model_config = ConfigDict(frozen=True)

    id: int
    at: datetime
    entry: Entry
