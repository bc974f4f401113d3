"""What of the tank's picture goes to a broker: what is known for everybody, advice only where the keeper asks for it.

Saltern drives no doser. Whoever lets one follow the advice does so at their own risk; so it is published only by a
table of its own, never beyond the keeper's bound, and with a time after which nobody may follow it any more.
"""

from datetime import datetime, timedelta
from typing import Any

from pydantic import Field

from saltern.chemistry.alkalinity_unit import AlkalinityUnit, from_dkh
from saltern.config.tables import Table

BEYOND_BOUND = "beyond-bound"
"""Withheld here alone: the tank's own advice (`saltern.tank.advice.Withheld`) knows no bound on a whole dose."""


class AdviceTable(Table):
    """Publish advice, at your own risk: a machine that follows it must have limits of its own."""

    most_dkh_per_day: float = Field(gt=0, le=5.0, description="advice for a day beyond it is withheld, dKH")
    valid_h: float = Field(default=12.0, ge=2.0, le=48.0, description="nobody may follow it for longer, h")


def tank_json(tank: dict[str, Any]) -> dict[str, Any]:
    """Return the picture of the tank without what to dose."""
    return {key: value for key, value in tank.items() if key != "advice"}


def consumption_json(tank: dict[str, Any] | None, unit: AlkalinityUnit) -> dict[str, Any] | None:
    """Return what the tank consumes in the keeper's unit a day, k = 1; None while it is too early to say."""
    found = None if tank is None else tank["consumption"]
    if tank is None or found is None or found["too_early"] or not found["windows"]:
        return None
    window = found["windows"][0]
    value, u = (from_dkh(window["consumption_dkh_per_day"][key], unit, tank["salinity"]) for key in ("value", "u"))
    return {"unit": f"{unit.value}/d", "value": value, "u": u, "days": window["days"]}


def advice_json(tank: dict[str, Any], table: AdviceTable) -> dict[str, Any]:
    """Return the advice as it is published, with its bound and until when it may be followed.

    `dose_dkh_per_day` is the whole of a day, the correction within; it is null where the advice is withheld.
    """
    at, word = datetime.fromisoformat(tank["at_utc"]), tank["advice"]
    frame = {
        "schema_version": 1,
        "at_utc": at.isoformat(timespec="seconds"),
        "valid_until_utc": (at + timedelta(hours=table.valid_h)).isoformat(timespec="seconds"),
        "bounds": {"most_dkh_per_day": table.most_dkh_per_day},
    }
    withheld: dict[str, Any] = {"dose_dkh_per_day": None, "hold_dkh_per_day": None, "days": None, "supplements": []}
    if word["dose_dkh_per_day"] is None:
        return {**frame, **withheld, "withheld_because": word["withheld_because"]}
    hold = word["dose_dkh_per_day"]
    today = hold + word["correction_dkh_per_day"]
    if max(hold, today) > table.most_dkh_per_day:
        return {**frame, **withheld, "withheld_because": BEYOND_BOUND}
    named = ("name", "ml_per_day", "hold_ml_per_day")
    return {
        **frame,
        "dose_dkh_per_day": today,
        "hold_dkh_per_day": hold,
        "days": word["days"],
        "supplements": [{key: each[key] for key in named} for each in word["supplements"]],
        "withheld_because": None,
    }
