"""How numbers look on a screen: alkalinity in the keeper's unit, k = 2, plain tables."""

import json
import os
import sys
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from rich.console import Console

from saltern.chemistry.alkalinity_unit import COVERAGE, USUAL_SALINITY, AlkalinityUnit, from_dkh, written
from saltern.chemistry.units import umol_kg_to_dkh
from saltern.cli.present_lines import columns, wrapped
from saltern.cli.present_time import moment, short
from saltern.model.verdict import Quantity
from saltern.report import words

NOT_A_TERMINAL = 110
NOT_MEASURED = "–"


def console() -> Console:
    """Return the screen: as wide as the terminal or COLUMNS says, and otherwise as a log may be."""
    knows_its_width = sys.stdout.isatty() or os.environ.get("COLUMNS", "").isdigit()
    return Console(highlight=False, width=None if knows_its_width else NOT_A_TERMINAL)


def print_json(data: object) -> None:
    sys.stdout.write(json.dumps(data) + "\n")


def alkalinity(umol_kg: float | None, u_umol_kg: float | None, salinity: float | None, unit: AlkalinityUnit) -> str:
    """Return for example "7.93 ± 0.10", k = 2; a dash for what was not measured."""
    if umol_kg is None:
        return NOT_MEASURED
    factor = 1.0
    if unit is not AlkalinityUnit.UMOL_KG:
        factor = from_dkh(umol_kg_to_dkh(1.0, USUAL_SALINITY if salinity is None else salinity), unit)
    value, spread = written(factor * umol_kg, None if u_umol_kg is None else factor * u_umol_kg, unit)
    return f"{value} ± {spread}"


def alkalinity_of(found: dict[str, Any], unit: AlkalinityUnit) -> str:
    """Return the same of an alkalinity in JSON."""
    shown = words.alkalinity(found, unit)
    return NOT_MEASURED if shown is None else f"{shown[0]} ± {shown[1]}"


def plus_minus(quantity: Quantity, digits: int) -> str:
    return value_and_u(quantity.value, quantity.u, digits)


def value_and_u(value: float | None, u: float | None, digits: int) -> str:
    if value is None:
        return NOT_MEASURED
    return f"{value:.{digits}f} ± {'?' if u is None else f'{COVERAGE * u:.{digits}f}'}"


def reasons(quantity: Quantity) -> str:
    return ", ".join(reason.value for reason in quantity.reasons)


WITH_EVERY_U = 96
WITH_PH_AND_SALINITY = 76
"""Columns of a screen from which on tables show so much."""


def say(text: str, *, indent: int = 0, hanging: int | None = None, style: str | None = None) -> None:
    """Print a text in whole words, no line longer than the screen is wide."""
    screen = console()
    for line in wrapped(text, screen.width, indent=indent, hanging=hanging):
        screen.print(line, style=style, markup=False, soft_wrap=True)


def say_lines(lines: list[str], *, bold: int = 0) -> None:
    """Print lines that are laid out already, the first ones bold."""
    screen = console()
    for number, line in enumerate(lines):
        screen.print(line, style="bold" if number < bold else None, markup=False, soft_wrap=True)


def print_determinations(rows: list[dict[str, Any]], zone: ZoneInfo, unit: AlkalinityUnit, now: datetime) -> None:
    """Print a table of results, as they are in JSON, oldest first; their times by the bench's clock."""
    say_lines(result_lines(rows, zone, unit, now, console().width), bold=1)
    newest = next((row for row in reversed(rows) if row["source"] == "tank"), None)
    if newest is not None and datetime.fromisoformat(newest["started_utc"]) <= now:  # not of a paced clock
        say(f"Newest of the tank: {moment(newest['started_utc'], now, zone)}.")
    if any(row.get("change") is not None and row["change"]["across_titre_factors"] for row in rows):
        say("* over a new titre factor", style="dim")
    say(f"± is twice the standard uncertainty (k = 2). Times are those of {zone.key}.", style="dim")


def result_lines(
    rows: list[dict[str, Any]], zone: ZoneInfo, unit: AlkalinityUnit, now: datetime, width: int
) -> list[str]:
    """Return results as lines for a screen of this width; what is more than a number stands under its row."""
    headings = ["no.", "started", unit.value, "since yesterday" if width >= WITH_EVERY_U else "change", "verdict"]
    if width >= WITH_PH_AND_SALINITY:
        headings[4:4] = ["pH total" if width >= WITH_EVERY_U else "pH", "salinity"]
    table = [headings]
    for row in rows:
        a, ph, s, change = row["alkalinity"], row["ph_total"], row["salinity"], row.get("change")
        factor = "*" if change is not None and change["across_titre_factors"] else ""
        line = [
            str(row["id"]),
            short(datetime.fromisoformat(row["started_utc"]), now, zone),
            alkalinity_of(a, unit),
            "" if change is None else " ± ".join(words.change_and_spread(change, unit)) + factor,
            a["verdict"],
        ]
        if width >= WITH_PH_AND_SALINITY:
            line[4:4] = [_at_width(ph["value"], ph["u"], 3, width), _at_width(s["value"], s["u"], 2, width)]
        table.append(line)
    heading, *lines = columns(table, left=frozenset({len(headings) - 1}))
    if len(max((heading, *lines), key=len)) > width:  # `show` has the change still
        table = [line[:3] + line[4:] for line in table]
        heading, *lines = columns(table, left=frozenset({len(headings) - 2}))
    found = [heading]
    for row, drawn in zip(rows, lines, strict=True):
        more = [*([] if row["source"] == "tank" else [row["source"]]), *row["alkalinity"]["reasons"]]
        found += [drawn, *(wrapped(", ".join(more), width, indent=5) if more else [])]
    return found


def _at_width(value: float | None, u: float | None, digits: int, width: int) -> str:
    """Return a value with its uncertainty where there is room for it; without, no digit that says nothing."""
    if width >= WITH_EVERY_U or value is None:
        return value_and_u(value, u, digits)
    return f"{value:.{min(digits, 2)}f}"


def print_simulation(outcome: dict[str, Any], unit: AlkalinityUnit) -> None:
    """Print a simulation's results with the truth beside them."""
    say_lines(simulation_lines(outcome["determinations"], unit, console().width), bold=1)
    say("± is twice the standard uncertainty (k = 2); the truth is the twin's.", style="dim")
    say("")
    for trip in outcome["trips"]:
        until = "" if trip["cleared_h"] is None else f" to {trip['cleared_h']:.2f} h"
        say(f"{trip['at_h']:.2f} h{until}: {trip['kind']} {trip['interlock']} cut {', '.join(trip['cuts'])}", hanging=2)
    for alert in outcome["alerts"]:
        say(f"{alert['at_h']:.2f} h: {alert['severity']}: {alert['text']}", hanging=2)
    truth = outcome["truth"]
    if truth["peak_vessel_ml"] is None:
        say(f"Played by results: no liquid moved. {outcome['wall_s']:.1f} s of computing.")
        return
    say(
        f"Truth of the twin: vessel at most {truth['peak_vessel_ml']:.0f} of {truth['vessel_capacity_ml']:.0f} mL, "
        f"spilled {truth['spilled_ml']:.1f} mL, titrant to the tank {truth['titrant_to_tank_ml']:.2f} mL; "
        f"{outcome['wall_s']:.1f} s of computing."
    )


def simulation_lines(entries: list[dict[str, Any]], unit: AlkalinityUnit, width: int) -> list[str]:
    """Return a simulation's results as lines for a screen of this width."""
    wide = width >= WITH_EVERY_U
    headings = [
        "no.",
        "at h",
        f"alkalinity, {unit.value}" if wide else unit.value,
        "truth",
        "off, umol/kg" if wide else "off",
    ]
    if width >= WITH_PH_AND_SALINITY:
        headings += ["pH total" if wide else "pH", "truth", "salinity" if wide else "sal.", "truth"]
    table = [[*headings, "verdict"]]
    for entry in entries:
        a, ph, s = entry["alkalinity"], entry["ph_total"], entry["salinity"]
        line = [
            str(entry["id"]),
            f"{entry['started_h']:.1f}",
            alkalinity(a["umol_per_kg"], a["u"], s["truth"], unit),
            alkalinity(a["truth"], 0.0, s["truth"], unit).split()[0],
            "–" if a["umol_per_kg"] is None else f"{a['umol_per_kg'] - a['truth']:+.1f}",
        ]
        if width >= WITH_PH_AND_SALINITY:
            line += [_at_width(ph["value"], ph["u"], 3, width), f"{ph['truth']:.{3 if wide else 2}f}"]
            line += [_at_width(s["value"], s["u"], 2, width), f"{s['truth']:.2f}"]
        table.append([*line, a["verdict"]])
    heading, *lines = columns(table, left=frozenset({len(headings)}))
    found = [heading]
    for entry, drawn in zip(entries, lines, strict=True):
        more = entry["alkalinity"]["reasons"]
        found += [drawn, *(wrapped(", ".join(more), width, indent=5) if more else [])]
    return found
