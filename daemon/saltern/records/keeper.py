"""What the keeper writes down: doses, water changes, other tests, remarks. Each kind says what it must hold."""

from datetime import datetime
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter


class _Entry(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Dose(_Entry):
    """Something that raises alkalinity, or another supplement, went into the tank."""

    kind: Literal["dose"] = "dose"
    chemical: str = Field(min_length=1, max_length=80)
    amount: float = Field(gt=0)
    unit: Literal["mL", "g"] = "mL"


class WaterChange(_Entry):
    """Some water was replaced."""

    kind: Literal["water-change"] = "water-change"
    litres: float = Field(gt=0)
    alkalinity_dkh: float | None = Field(default=None, ge=0, le=30)
    salinity: float | None = Field(default=None, ge=0, le=50)


class OtherTest(_Entry):
    """A value measured by other means."""

    kind: Literal["test"] = "test"
    quantity: Literal["alkalinity_dkh", "ph", "salinity", "calcium_mg_l", "magnesium_mg_l", "nitrate_mg_l", "other"]
    value: float
    method: str = Field(min_length=1, max_length=80)


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
