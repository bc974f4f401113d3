"""The keeper's log on a screen: each entry in a line of plain words, in the keeper's own unit and zone."""

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from saltern.chemistry.alkalinity_unit import AlkalinityUnit
from saltern.cli.present_lines import wrapped
from saltern.cli.present_time import by_the_clock
from saltern.report.logbook_words import in_words


def log_lines(found: dict[str, Any], width: int) -> list[str]:
    """Return the log as lines for a screen of this width; marks stand under their entry."""
    zone, now = ZoneInfo(found["time_zone"]), datetime.fromisoformat(found["at_utc"])
    unit = AlkalinityUnit(found["alkalinity_unit"])
    lines = [f"{'no.':>5}  {'when':<18} what"]
    for one in found["entries"]:
        at = by_the_clock(datetime.fromisoformat(one["at_utc"]), now, zone)
        who = f" ({one['who']})" if one["who"] else ""
        lines += wrapped(f"{one['id']:>5}  {at:<18} {in_words(one['entry'], unit)}{who}", width, hanging=9)
        lines += wrapped(_marks(one, now, zone), width, indent=9) if _marks(one, now, zone) else []
    return lines


def _marks(one: dict[str, Any], now: datetime, zone: ZoneInfo) -> str:
    marks = []
    if one["undone_utc"] is not None:
        by = f" by {one['undone_by']}" if one["undone_by"] else ""
        marks.append(
            f"undone{by}, {by_the_clock(datetime.fromisoformat(one['undone_utc']), now, zone)}: does not count"
        )
    if one["corrects"] is not None:
        marks.append(f"instead of {one['corrects']}")
    if one["batch"] is not None:
        marks.append(f"of import {one['batch']}")
    return "; ".join(marks)


def import_lines(
    rows: list[dict[str, Any]], shown: list[dict[str, Any]], about: dict[str, Any], width: int
) -> list[str]:
    """Return rows of a file as lines, with the times that they were understood as."""
    zone, now = ZoneInfo(about["time_zone"]), datetime.fromisoformat(about["at_utc"])
    unit = AlkalinityUnit(about["alkalinity_unit"])
    lines = [f"{'line':>5}  {'when':<18} what"]
    for row, one in zip(rows, shown, strict=True):
        at = by_the_clock(datetime.fromisoformat(one["at_utc"]), now, zone)
        lines += wrapped(f"{row['line']:>5}  {at:<18} {in_words(row['entry'], unit)}", width, hanging=9)
    return lines
