"""The keeper's log on a screen: each entry in a line of plain words, in the keeper's own unit and zone."""

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from saltern.chemistry.alkalinity_unit import AlkalinityUnit, from_dkh, said
from saltern.cli.present_lines import wrapped
from saltern.cli.present_time import by_the_clock

SPOKEN = {
    "calcium_mg_l": ("calcium", "mg/L"),
    "magnesium_mg_l": ("magnesium", "mg/L"),
    "phosphate_mg_l": ("phosphate", "mg/L"),
    "nitrate_mg_l": ("nitrate", "mg/L"),
    "salinity": ("salinity", ""),
    "ph": ("pH", ""),
    "other": ("other", ""),
}


def in_words(entry: dict[str, Any], unit: AlkalinityUnit) -> str:
    """Return an entry of JSON in words."""
    kind = entry["kind"]
    if kind == "dose":
        return f"{entry['amount']:g} {entry['unit']} of {entry['chemical']}"
    if kind == "doser":
        a_day = entry["ml_per_day"]
        return (
            f"doser: {a_day:g} mL of {entry['supplement']} a day" if a_day else f"doser of {entry['supplement']}: off"
        )
    if kind == "water-change":
        more = []
        if entry["alkalinity_dkh"] is not None:
            more.append(said(entry["alkalinity_dkh"], unit, entry["salinity"]))
        if entry["salinity"] is not None:
            more.append(f"salinity {entry['salinity']:g}")
        return f"{entry['litres']:g} L of water changed" + (f" ({', '.join(more)})" if more else "")
    if kind == "test":
        return f"test: {_tested(entry, unit)}, {entry['method']}"
    if kind == "event":
        return str(entry["what"]).replace("-", " ") + (f": {entry['text']}" if entry["text"] else "")
    return str(entry["text"])


def _tested(entry: dict[str, Any], unit: AlkalinityUnit) -> str:
    value, u = entry["value"], entry["u"]
    if entry["quantity"] == "alkalinity_dkh":
        spread = "" if u is None else f" ± {2.0 * from_dkh(u, unit):.2g}"
        return f"alkalinity {said(value, unit)}{spread}"
    name, its_unit = SPOKEN[entry["quantity"]]
    spread = "" if u is None else f" ± {2.0 * u:.2g}"
    return f"{name} {value:g}{spread} {its_unit}".rstrip()


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
