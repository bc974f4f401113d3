"""The bench file's table of the tank: how much water, what it should hold, and what is dosed."""

from datetime import datetime

from pydantic import BaseModel, ConfigDict, Field, model_validator

from saltern.chemistry.supplements import (
    CEILING_DKH_PER_DAY,
    MOST_RISE_DKH_PER_DAY,
    STOICHIOMETRY,
    Salt,
    Supplement,
    stock,
)


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class SupplementTable(_Table):
    """A stock that raises alkalinity; its name in the bench file is its name in the log."""

    salt: Salt
    g_per_l: float | None = Field(default=None, gt=0, le=1000, description="grams of the salt in a litre of the stock")
    meq_per_ml: float | None = Field(default=None, gt=0, le=20, description="the strength, where its maker says it")

    @model_validator(mode="after")
    def _one_strength(self) -> "SupplementTable":
        if (self.g_per_l is None) == (self.meq_per_ml is None):
            msg = "give one of g_per_l and meq_per_ml"
            raise ValueError(msg)
        if self.salt not in STOICHIOMETRY and self.meq_per_ml is None:
            msg = f"{self.salt.value} needs meq_per_ml: its grams do not say its strength"
            raise ValueError(msg)
        return self

    def named(self, name: str) -> Supplement:
        if self.g_per_l is not None:
            return stock(name, self.salt, self.g_per_l)
        return Supplement(name, self.salt, self.meq_per_ml or 0.0)


class DoserTable(_Table):
    """What a doser has given since a time; the newest of each supplement counts from its own time on, as in the log."""

    since: datetime = Field(description="with an offset: 2026-03-02T08:00:00+01:00")
    supplement: str = Field(min_length=1, max_length=80)
    ml_per_day: float = Field(ge=0, le=100_000)

    @model_validator(mode="after")
    def _with_an_offset(self) -> "DoserTable":
        if self.since.tzinfo is None:
            msg = "since needs an offset from UTC: 2026-03-02T08:00:00+01:00"
            raise ValueError(msg)
        return self


class TankTable(_Table):
    """The tank."""

    volume_l: float = Field(gt=5, le=100_000, description="of water, not of glass")
    volume_u_percent: float = Field(default=3.0, gt=0, le=30, description="standard uncertainty (k = 1)")
    temperature_c: float = Field(default=25.0, ge=15, le=32)
    target_dkh: float = Field(default=8.0, ge=5, le=14)
    low_dkh: float = Field(default=7.0, ge=3, le=14)
    high_dkh: float = Field(default=10.0, ge=5, le=20)
    most_rise_dkh_per_day: float = Field(default=MOST_RISE_DKH_PER_DAY, gt=0, le=CEILING_DKH_PER_DAY)
    magnesium_days: float | None = Field(
        default=None, gt=0, le=365, description="nothing is raised without a magnesium test so old at most"
    )
    top_up_fresh: bool = Field(default=True, description="fresh water takes the place of what samples take")
    dose_u_percent: float = Field(default=1.0, gt=0, le=30, description="of what is dosed (k = 1)")
    supplements: dict[str, SupplementTable] = {}
    doser: tuple[DoserTable, ...] = ()

    @model_validator(mode="after")
    def _everything_fits(self) -> "TankTable":
        if not self.low_dkh < self.target_dkh < self.high_dkh:
            msg = "target_dkh lies between low_dkh and high_dkh"
            raise ValueError(msg)
        for each in self.doser:
            if each.supplement not in self.supplements:
                msg = f"the doser gives {each.supplement!r}, which is not among tank.supplements"
                raise ValueError(msg)
        if [each.since for each in self.doser] != sorted(each.since for each in self.doser):
            msg = "list tank.doser in the order of its times"
            raise ValueError(msg)
        return self

    def supplement(self, name: str) -> Supplement | None:
        found = self.supplements.get(name)
        return None if found is None else found.named(name)
