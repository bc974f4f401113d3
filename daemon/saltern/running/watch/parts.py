"""Parts: how old they are, what went through them, and whether a new one has settled."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from itertools import pairwise
from statistics import median

from saltern.chemistry.endpoint.curve import Estimate
from saltern.config.tables import BenchConfig, Part
from saltern.model.determination import Determination
from saltern.model.usage import Usage
from saltern.model.verdict import REPORTABLE
from saltern.quality.history import MAD_TO_SD, OFFSET_FLOOR_MV, pivot_mv
from saltern.quality.part_settling import NewPart, Settles, Settling, still_settling
from saltern.records.upkeep import Installed
from saltern.running.watch.watched import Watched

SETTLES: dict[str, Settles] = {"titrant bottle": "alkalinity", "pause": "alkalinity"}
"""Events that the service itself keeps, and what they bear on."""

LEAST_STEPS = 4
USUAL_STEP: dict[Settles, float] = {"alkalinity": 10.0, "ph": 0.5, "salinity": 0.1}
"""How far a tank and a probe move between determinations where their past does not say, umol/kg, mV and 1 (assumed)."""


def of_parts(
    config: BenchConfig, known: Mapping[str, Installed], now: datetime, turned: Mapping[str, Usage]
) -> Iterator[Watched]:
    """Check the age of parts, and what a tube's pump has turned since it was put in.

    One whose age nobody said is not due, and `status` says that it is unknown.
    """
    for name, part in config.parts.items():
        why = due_by(part, known[name], now, turned) if name in known else None
        yield Watched(why is not None, f"part-due-{name}", f"{name} is due: {why}")


def due_by(part: Part, since: Installed, now: datetime, turned: Mapping[str, Usage]) -> str | None:
    """Return why a part is due, or None."""
    if now - since.at > timedelta(days=part.life_days):
        return f"it has been in for more than {part.life_days:g} days"
    used = worn(part, since, turned)
    if part.life_hours is not None and used.running_s > 3600.0 * part.life_hours:
        return f"its pump has run {used.running_s / 3600.0:.1f} hours, and {part.life_hours:g} are its life"
    if part.life_litres is not None and used.volume_ml > 1000.0 * part.life_litres:
        return f"{used.volume_ml / 1000.0:.1f} litres went through, and {part.life_litres:g} are its life"
    return None


def worn(part: Part, since: Installed, turned: Mapping[str, Usage]) -> Usage:
    """Return what a part's pump has turned since it was put in; nothing, of a part that belongs to none."""
    if part.pump is None:
        return Usage()
    return turned.get(part.pump, Usage()).since(since.usage.get(part.pump, Usage()))


def settling(
    config: BenchConfig, known: Mapping[str, Installed], newest: Determination, past: Sequence[Determination]
) -> list[Settling]:
    """Return the parts that are still settling, by the results since they were put in, the newest included."""
    results = [*past, newest]
    found = []
    for name, part in known.items():
        bears_on = SETTLES.get(name) or (config.parts[name].settles if name in config.parts else None)
        if bears_on is None:
            continue
        values = [(d.started_at, value) for d in results if (value := _settles(d, bears_on)) is not None]
        before = [value.value for at, value in values if at < part.at]
        steps = [abs(after - earlier) for earlier, after in pairwise(before)]
        usual = MAD_TO_SD * median(steps) if len(steps) >= LEAST_STEPS else USUAL_STEP[bears_on]
        still = still_settling(NewPart(name, part.at, bears_on), values, newest.started_at, usual)
        if still is not None:
            found.append(still)
    return found


def _settles(d: Determination, bears_on: Settles) -> Estimate | None:
    """Return the value by which a part is seen to settle: of a pH probe that is its potential, not the tank's pH."""
    if bears_on == "ph":
        pivot = pivot_mv(d.end_point, d.temperature_c or 25.0) if d.end_point is not None else None
        return None if pivot is None else Estimate(pivot, OFFSET_FLOOR_MV)
    quantity = d.alkalinity if bears_on == "alkalinity" else d.salinity
    reportable = quantity.verdict in REPORTABLE
    if not reportable or quantity.value is None or quantity.u is None:
        return None
    return Estimate(quantity.value, quantity.in_parts().u_own)


def part_rows(config: BenchConfig, known: Mapping[str, Installed]) -> list[tuple[str, str, str]]:
    """Return each part in words: its name, when it was put in, when it is due."""
    rows = []
    for name, part in config.parts.items():
        since = known.get(name)
        if since is None:
            rows.append((name, "unknown", "unknown"))
        else:
            rows.append((name, f"{since.at:%Y-%m-%d}", f"{since.at + timedelta(days=part.life_days):%Y-%m-%d}"))
    return rows
