"""A diagnosis on a screen: the answer first, then causes with their evidence, then charts a line high."""

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from saltern.cli.present_lines import wrapped
from saltern.cli.present_time import by_the_clock, short
from saltern.report.finding_words import ASKS, CAUSES
from saltern.tank.findings import Ask, Cause

LEVELS = "▁▂▃▄▅▆▇█"
BEFORE_CHART, AFTER_CHART = 11, 22
MOST_CAUSES = 5
EVEN = 0.5
FULL_SCALE = 4.0
"""Standard deviations at the ends of a chart of single values."""


def diagnosis_lines(found: dict[str, Any], now: datetime, time_zone: str, width: int) -> list[str]:
    """Return a diagnosis of JSON as lines for a screen of this width."""
    zone = ZoneInfo(time_zone)
    lines = wrapped(_answer(found, now, zone), width)
    if found["ask"] is not None:
        cost = f" ({found['cost_ml']:.0f} mL)" if found["cost_ml"] else ""
        what = "The measurement that would decide it" if found["is"] == "cannot-tell" else "What comes next"
        lines += wrapped(f"{what}: {ASKS[Ask(found['ask'])]}{cost}.", width, hanging=2)
    if found["written_down_near"]:
        lines += wrapped(f"Written down about then: {'; '.join(found['written_down_near'])}.", width, hanging=2)
    if found["determination"] is not None:
        lines += _determination(found["determination"], width)
    lines += wrapped(f"{_percent(found['nothing'])}  nothing has changed", width)
    for cause in found["causes"][:MOST_CAUSES]:
        owner = "" if cause["is"] == "cannot-tell" else f" ({cause['is']})"
        lines += wrapped(
            f"{_percent(cause['probability'])}  {CAUSES[Cause(cause['cause'])]}{owner}, {cause['cause']}",
            width,
            hanging=6,
        )
        lines += wrapped(f"{'; '.join(cause['evidence'])}.", width, indent=6) if cause["evidence"] else []
    for one in found["findings"]:
        at = by_the_clock(datetime.fromisoformat(one["at_utc"]), now, zone)
        lines += wrapped(f"finding {one['id']}, reported {at}: {one['is']}, {one['cause']}", width, hanging=2)
    for chart in found["charts"]:
        lines += _chart(chart, now, zone, width)
    return lines


def _answer(found: dict[str, Any], now: datetime, zone: ZoneInfo) -> str:
    sure = f"{_percent(found['probability']).strip()} sure"
    if found["is"] is None and found["probability"] >= EVEN:
        return f"Nothing has changed that matters ({sure})."
    if found["is"] is None:
        may = _percent(1.0 - found["probability"]).strip()
        return f"Something may have changed ({may}): wait for more results: it is too early to name anything."
    since = by_the_clock(datetime.fromisoformat(found["since_utc"]), now, zone)
    if found["is"] == "cannot-tell":
        return f"Something changed about {since}, and it is not yet known whether tank or instrument ({sure} at best)."
    return f"The {found['is']} changed about {since} ({sure})."


def _percent(probability: float) -> str:
    return f"{max(0, min(99, round(100.0 * probability))):>3} %"


def _determination(asked: dict[str, Any], width: int) -> list[str]:
    lines = wrapped(f"Determination {asked['id']} is {asked['verdict']}.", width)
    for one in asked["reasons"]:
        lines += wrapped(f"{one['reason']}: {one['means']}. {one['do']}.", width, indent=2, hanging=4)
    return lines


def _chart(chart: dict[str, Any], now: datetime, zone: ZoneInfo, width: int) -> list[str]:
    """Return the three charts of one series, each a line high; "!" stands under what lies outside its limits."""
    count = len(chart["values"])
    if not count:
        return []
    begin = short(datetime.fromisoformat(chart["at_utc"][0]), now, zone)
    what = "references" if chart["of"] == "references" else "results, less what the tank's model expected"
    lines = wrapped(f"{what}: {count} since {begin}, in standard deviations", width)
    shown = min(count, max(8, width - BEFORE_CHART - AFTER_CHART))
    sums = [max(a, b) for a, b in zip(chart["cusum"]["above"], chart["cusum"]["below"], strict=True)]
    limit = chart["cusum"]["limit"]
    ewma = chart["ewma"]
    reach = max(abs(value) for value in (*ewma["high"], *ewma["low"]))
    rows = (
        ("Shewhart", chart["values"], FULL_SCALE, -FULL_SCALE, chart["shewhart"]["out"], "limits ±3"),
        ("EWMA", ewma["line"], 1.5 * reach, -1.5 * reach, ewma["out"], f"limits ±{ewma['high'][-1]:.1f}"),
        ("CUSUM", sums, 1.5 * limit, 0.0, chart["cusum"]["out"], f"limit {limit:g}"),
    )
    for name, values, high, low, out, limits in rows:
        drawn = "".join(_level(value, low, high) for value in values[-shown:])
        lines.append(f"  {name:<{BEFORE_CHART - 2}}{drawn}  {values[-1]:+.1f}, {limits}")
        marks = "".join("!" if place in out else " " for place in range(count - shown, count)).rstrip()
        lines += [f"{' ' * BEFORE_CHART}{marks}"] if marks else []
    return lines


def _level(value: float, low: float, high: float) -> str:
    share = (value - low) / (high - low)
    return LEVELS[max(0, min(len(LEVELS) - 1, int(share * len(LEVELS))))]
