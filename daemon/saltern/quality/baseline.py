"""An anchored baseline: a step that tank, logged doses and time do not allow is not accepted by repetition alone.

A worn sample tube repeats perfectly: asked again, it gives the same wrong number. What it cannot do is to be allowed by
what is known of the tank. So each result is held against the last one that was accepted; one that lies further off than
the tank changes by itself, doses apart, stays open until a witness that does not hang on the same tube explains it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from math import inf
from statistics import median

from saltern.model.determination import Determination
from saltern.model.parts import Parts, u_of_change
from saltern.model.verdict import REPORTABLE, Reason, Verdict

SIGMAS = 3.0
"""So many standard uncertainties of the change are allowed beside what the tank may do."""

SECONDS_A_DAY = 86400.0
LEAST_STEPS = 5
TEST_AGREES_UMOL_KG = 175.0
"""Half a German degree: a drop test that is further off does not speak for a result (common practice)."""


@dataclass(frozen=True)
class Seen:
    """A result of the tank that was reported.

    Parameters
    ----------
    at, umol_kg, parts
        When, how much, and its uncertainty in two parts.
    factor
        The titre factor that it was computed with: results before and after a standardisation are compared under one.
    unexplained
        Whether it lies beyond a step that nothing has explained yet.
    accepted
        Whether the next may be held against it: one that is provisional for another reason anchors nothing.
    """

    at: datetime
    umol_kg: float
    parts: Parts
    factor: float = 1.0
    unexplained: bool = False
    accepted: bool = True


@dataclass(frozen=True)
class Witnesses:
    """What may explain a step and does not hang on the bench's pumps, each with its time.

    Parameters
    ----------
    doses, water_changes
        As logged. How much a dose raises is not known here: it explains any rise, a water change either direction.
    tests
        The keeper's own, umol/kg.
    references
        Standardisations.
    calibrated
        Calibrations of a pump, or a new bottle, since which results rest on other gains.
    weighed
        Whether a balance saw both volumes of this result, and what they may still be off by, relative; None: no.
    """

    doses: tuple[datetime, ...] = ()
    water_changes: tuple[datetime, ...] = ()
    tests: tuple[tuple[datetime, float], ...] = ()
    references: tuple[datetime, ...] = ()
    calibrated: tuple[datetime, ...] = ()
    weighed: float | None = None


UNKNOWN_DAYS = 1.0
"""Taken for the time between two results where the clock was set back (assumed)."""


@dataclass(frozen=True)
class Step:
    """A step that nothing explains: how large it was when it was first seen, and what would have been allowed then."""

    umol_kg: float
    since: datetime  # of the last accepted result, or of the oldest behind the step where that is out of sight
    allowed_umol_kg: float


def seen(d: Determination) -> Seen | None:
    """Return what counts of a determination, or None where it has no value that was reported."""
    q = d.alkalinity
    if q.value is None or q.verdict not in REPORTABLE:
        return None
    factor, open_step = d.calibrated.get("titre.factor"), Reason.STEP_UNEXPLAINED in q.reasons
    return Seen(d.started_at, q.value, q.in_parts(), factor or 1.0, open_step, q.verdict is Verdict.ACCEPTED)


def unexplained_step(new: Seen, past: Sequence[Seen], witnesses: Witnesses, most_umol_kg_per_day: float) -> Step | None:
    """Return the step that lies between the last accepted result and this one, if nothing explains it.

    Parameters
    ----------
    new
        The result in question.
    past
        Reported results before it, oldest first: accepted ones, and those behind an open step.
    witnesses
        What was logged and measured.
    most_umol_kg_per_day
        By how much the tank changes at most by itself, doses apart. Where its accepted results show that it goes
        steadily faster, that course is allowed too.
    """
    behind = _behind_the_step(past)
    accepted = [one for one in past[: len(past) - len(behind)] if one.accepted]
    if not accepted:
        return Step(0.0, behind[0].at, 0.0) if behind and not _explained(new, None, behind, witnesses) else None
    anchor = accepted[-1]
    down, up = _allowed(new, anchor, accepted, most_umol_kg_per_day)
    off = _least_change(anchor, new)
    if not behind and down <= off <= up:
        return None
    if behind and _is_undone(new, anchor, behind, most_umol_kg_per_day):
        return None
    if _explained(new, anchor, behind, witnesses):
        return None
    first = behind[0] if behind else new
    down, up = _allowed(first, anchor, accepted, most_umol_kg_per_day)
    off = _least_change(anchor, first)
    return Step(off, anchor.at, up if off > 0.0 else down)


def _behind_the_step(past: Sequence[Seen]) -> list[Seen]:
    behind: list[Seen] = []
    for seen in reversed(past):
        if not seen.unexplained:
            break
        behind.insert(0, seen)
    return behind


def _allowed(new: Seen, anchor: Seen, accepted: Sequence[Seen], most_a_day: float) -> tuple[float, float]:
    """Return how far down and up the tank may have gone since."""
    days = _days(anchor, new)
    course = _course_a_day(accepted) * days
    room = most_a_day * days + SIGMAS * u_of_change(anchor.parts, new.parts)
    return min(0.0, course) - room, max(0.0, course) + room


def _course_a_day(accepted: Sequence[Seen]) -> float:
    """Return by how much the tank usually goes in a day: the median of the steps so far, 0 of too few."""
    rates = [_least_change(a, b) / days for a, b in pairwise(accepted) if (days := _days(a, b)) > 0.0]
    return median(rates) if len(rates) >= LEAST_STEPS else 0.0


def _least_change(before: Seen, after: Seen) -> float:
    """Return the change, as the two stand or under one titre factor, whichever is the smaller.

    A standardisation between them has either found that pumps or titrant had moved, and then the values compare; or
    they moved before the earlier one as well, and then what was titrated compares.
    """
    as_they_stand = after.umol_kg - before.umol_kg
    under_one = after.umol_kg - before.umol_kg * after.factor / before.factor
    return min(as_they_stand, under_one, key=abs)


def _is_undone(new: Seen, anchor: Seen, behind: Sequence[Seen], most_a_day: float) -> bool:
    """Return whether a step back has come: the value lies where it would without the step, and not where it was."""
    newest = behind[-1]
    without = anchor.umol_kg + (newest.umol_kg - behind[0].umol_kg)
    room = most_a_day * _days(newest, new) + SIGMAS * u_of_change(newest.parts, new.parts)
    from_without, from_step = abs(new.umol_kg - without), abs(new.umol_kg - newest.umol_kg)
    return from_without <= room and from_without < from_step


def _explained(new: Seen, anchor: Seen | None, behind: Sequence[Seen], witnesses: Witnesses) -> bool:
    since = anchor.at if anchor is not None else behind[0].at
    rises = anchor is None or new.umol_kg > anchor.umol_kg
    onset = behind[0].at if behind else new.at
    if any(since < at for at in witnesses.calibrated):
        return True
    if any(since < at <= new.at for at in (*witnesses.water_changes, *(witnesses.doses if rises else ()))):
        return True
    if any(onset < at for at in witnesses.references):
        return True
    before = inf if anchor is None else anchor.umol_kg
    if witnesses.weighed is not None and anchor is not None and _relative(anchor, new) > witnesses.weighed:
        return True
    return any(
        since < at <= new.at + timedelta(hours=1)
        and abs(value - new.umol_kg) < TEST_AGREES_UMOL_KG
        and abs(value - new.umol_kg) < abs(value - before)
        for at, value in witnesses.tests
    )


def _relative(before: Seen, after: Seen) -> float:
    return abs(after.umol_kg / before.umol_kg - 1.0)


def _days(before: Seen, after: Seen) -> float:
    """Return the days between two results; a day where the clock was set back between them, so that nobody knows."""
    days = (after.at - before.at).total_seconds() / SECONDS_A_DAY
    return days if days >= 0.0 else UNKNOWN_DAYS
