"""How a bench stands, in one word and its reasons: for a keeper's page, and for whoever looks after the tank."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any

SIGNS_OF_LIFE = ("heartbeat", "test")


class Standing(StrEnum):
    """What a bench asks of its keeper."""

    WELL = "all well"
    LOOK = "look today"
    ACT = "act now"


@dataclass(frozen=True)
class Reason:
    """One thing that is not as it should be, and what to do."""

    asks: Standing
    what: str
    do: str


def reasons(
    status: dict[str, Any], newest: dict[str, Any] | None, now: datetime, *, alive: bool, no_result_h: float
) -> list[Reason]:
    """Return what is not well, the gravest first; nothing where all is well.

    Parameters
    ----------
    status, newest
        The bench's status, and the newest determination of the tank that was accepted, as JSON.
    now
        The time.
    alive
        Whether the bench's control loop runs.
    no_result_h
        After so many hours without an accepted result all is not well.
    """
    found = [] if alive else [Reason(Standing.ACT, "the bench does not answer", "Check the service and its log")]
    found += [*_acting(status), *_standing(status), *_kept_from_measuring(status)]
    if newest is None:
        found.append(Reason(Standing.LOOK, "the tank has not been measured yet", "Run `saltern measure`"))
    elif (now - datetime.fromisoformat(newest["started_utc"])).total_seconds() > 3600.0 * no_result_h:
        what = f"no result has been accepted for more than {no_result_h:g} h"
        found.append(Reason(Standing.LOOK, what, "Check `saltern status` and the log"))
    return gravest_first(found)


def gravest_first(found: list[Reason]) -> list[Reason]:
    """Return reasons in the order in which a reader should meet them, each once."""
    once: dict[str, Reason] = {}
    for reason in found:
        once.setdefault(reason.what, reason)
    return sorted(once.values(), key=lambda reason: reason.asks is not Standing.ACT)


def standing(found: list[Reason]) -> Standing:
    """Return the gravest of them."""
    return found[0].asks if found else Standing.WELL


def _acting(status: dict[str, Any]) -> Iterator[Reason]:
    alerted = {alert["code"] for alert in status["alerts"]}
    for row in status["interlocks"]:
        if f"interlock-{row['name']}" not in alerted:
            yield Reason(Standing.LOOK, f"{row['kind']} {row['name']}", row["remedy"])


def _standing(status: dict[str, Any]) -> Iterator[Reason]:
    for alert in status["alerts"]:
        if alert["code"] in SIGNS_OF_LIFE or alert["for_the_keeper"] == "for information":
            continue
        asks = Standing.ACT if alert["for_the_keeper"] == Standing.ACT.value else Standing.LOOK
        yield Reason(asks, alert["text"], alert["do"])


def _kept_from_measuring(status: dict[str, Any]) -> Iterator[Reason]:
    """Yield what keeps the bench from measuring and may stand without an alert."""
    if status["parked"] is not None:
        yield Reason(Standing.LOOK, "the bench is parked: nothing is measured", "Run `saltern resume`")
    if status["commissioned"] is None:
        yield Reason(Standing.LOOK, "the bench is not commissioned: nothing is measured", "See hardware/README.md")
    for bypass in status["bypasses"]:
        yield Reason(
            Standing.LOOK,
            f"the interlock {bypass['name']} is bypassed, for {bypass['left_h']:.1f} h more",
            "Mend what it looks at",
        )
    for device in status["devices"]:
        if not device["up"]:
            what = f"{device['place']} at {device['where']} does not answer"
            yield Reason(Standing.LOOK, what, device["remedy"] or "Check its cable and supply")
