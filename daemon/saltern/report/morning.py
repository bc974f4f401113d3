"""The morning message: the number, its change, what the tank consumes, what to dose, what is due, what is wrong."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from saltern.chemistry.alkalinity_unit import AlkalinityUnit
from saltern.report import words
from saltern.report.standing import SIGNS_OF_LIFE, Reason, standing

DUE_WITHIN = timedelta(days=7)


@dataclass(frozen=True)
class Message:
    """A title that says the most, and lines that say the rest."""

    title: str
    body: str


def morning(
    status: dict[str, Any], newest: dict[str, Any] | None, reasons: list[Reason], now: datetime, zone: ZoneInfo
) -> Message:
    """Return what a keeper reads at breakfast.

    Parameters
    ----------
    status
        As outlets are given it.
    newest
        The newest determination of the tank that was accepted, as JSON with its change.
    reasons
        What is not well.
    now, zone
        When and where the bench is.
    """
    lines, title = [], standing(reasons).value
    unit = AlkalinityUnit(status["alkalinity_unit"])
    shown = None if newest is None else words.alkalinity(newest["alkalinity"], unit)
    if newest is not None and shown is not None:
        value, spread = shown
        title = f"{value} {unit.value}, {title}"
        at = words.clock(datetime.fromisoformat(newest["started_utc"]), now, zone)
        lines += [f"{value} ± {spread} {unit.value}, measured {at}", words.change(newest, unit)]
    else:
        lines.append("No result has been accepted yet.")
    lines.append(f"consumption: {words.consumption(status['tank'], unit)}")
    lines.append(f"advice: {words.advice(status['tank'], unit)}")
    lines += [f"due: {what}" for what in due(status, now, zone)]
    lines += [f"{reason.asks.value}: {reason.what}. {reason.do}." for reason in reasons]
    return Message(f"{status['bench']}: {title}", "\n".join(line for line in lines if line))


def due(status: dict[str, Any], now: datetime, zone: ZoneInfo) -> list[str]:
    """Return what waits for the keeper within a week, and is not wrong yet."""
    found = []
    for part in status["parts"]:
        if part["due_utc"] is not None and not part["overdue"]:
            at = datetime.fromisoformat(part["due_utc"])
            if at - now <= DUE_WITHIN:
                found.append(f"{part['name']}, {at.astimezone(zone):%a %d %b}")
    for days, what in (
        (status["titrant"]["days_left"], "a bottle of titrant"),
        (status["waste_days"], "an empty waste container"),
    ):
        if days < DUE_WITHIN.days:
            found.append(f"{what}: what is there lasts for {words.days(days)}")
    for alert in status["alerts"]:
        if alert["for_the_keeper"] == "for information" and alert["code"] not in SIGNS_OF_LIFE:
            found.append(alert["text"])
    return found
