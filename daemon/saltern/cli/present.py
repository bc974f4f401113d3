"""How numbers look on a screen: dKH with k = 2, plain tables, one plot."""

import json
import os
import sys
from datetime import datetime
from typing import Any

import plotext
from rich.console import Console
from rich.table import Table

from saltern.chemistry.endpoint.curve import Curve, EndPoint
from saltern.chemistry.units import umol_kg_to_dkh
from saltern.model.determination import Quantity

COVERAGE = 2.0


NOT_A_TERMINAL = 110


def console() -> Console:
    """Return the screen: as wide as the terminal or COLUMNS says, and otherwise as a log may be."""
    knows_its_width = sys.stdout.isatty() or os.environ.get("COLUMNS", "").isdigit()
    return Console(highlight=False, width=None if knows_its_width else NOT_A_TERMINAL)


def print_json(data: object) -> None:
    sys.stdout.write(json.dumps(data) + "\n")


def dkh(umol_kg: float | None, u_umol_kg: float | None, salinity: float | None) -> str:
    """Return for example "7.93 ± 0.10 dKH", k = 2; a dash for what was not measured."""
    if umol_kg is None:
        return "–"
    per_umol_kg = umol_kg_to_dkh(1.0, salinity if salinity is not None else 35.0)
    spread = None if u_umol_kg is None else COVERAGE * u_umol_kg * per_umol_kg
    digits = 3 if spread is not None and 0.0 < spread < 0.01 else 2  # an uncertainty is never shown as zero
    return f"{umol_kg * per_umol_kg:.{digits}f} ± {'?' if spread is None else f'{spread:.{digits}f}'} dKH"


def plus_minus(quantity: Quantity, digits: int) -> str:
    return value_and_u(quantity.value, quantity.u, digits)


def value_and_u(value: float | None, u: float | None, digits: int) -> str:
    if value is None:
        return "–"
    return f"{value:.{digits}f} ± {COVERAGE * (u if u is not None else float('nan')):.{digits}f}"


def change_in_words(change: dict[str, Any] | None) -> str:
    """Return for example "−0.12 ± 0.04 dKH since yesterday", k = 2; nothing where nothing says it."""
    if change is None:
        return ""
    words = f"{change['dkh']:+.2f} ± {COVERAGE * change['u_dkh']:.2f} dKH since yesterday".replace("-", "−")
    return words + (", over a new titre factor" if change["across_titre_factors"] else "")


def reasons(quantity: Quantity) -> str:
    return ", ".join(reason.value for reason in quantity.reasons)


def print_determinations(rows: list[dict[str, Any]]) -> None:
    """Print a table of results, as they are in JSON, oldest first."""
    table = Table(box=None, pad_edge=False)
    for name in ("no.", "started (UTC)", "source", "alkalinity", "since yesterday", "pH total", "salinity", "verdict"):
        table.add_column(name, justify="left" if name in ("source", "verdict") else "right")
    for row in rows:
        a, ph, s = row["alkalinity"], row["ph_total"], row["salinity"]
        table.add_row(
            str(row["id"]),
            f"{datetime.fromisoformat(row['started_utc']):%Y-%m-%d %H:%M}",
            row["source"],
            dkh(a["umol_per_kg"], a["u"], s["value"]),
            change_in_words(row.get("change")).removesuffix(" dKH since yesterday"),
            value_and_u(ph["value"], ph["u"], 3),
            value_and_u(s["value"], s["u"], 2),
            " ".join(filter(None, (a["verdict"], ", ".join(a["reasons"])))),
        )
    console().print(table)
    console().print("[dim]± is twice the standard uncertainty (k = 2).[/dim]")


def print_simulation(outcome: dict[str, Any]) -> None:
    """Print a simulation's results with the truth beside them."""
    table = Table(box=None, pad_edge=False)
    headings = ("no.", "at h", "alkalinity, dKH", "truth", "off, umol/kg", "pH total", "truth", "salinity", "truth")
    for name in headings:
        table.add_column(name, justify="right")
    table.add_column("verdict")
    for entry in outcome["determinations"]:
        a, ph, s = entry["alkalinity"], entry["ph_total"], entry["salinity"]
        table.add_row(
            str(entry["id"]),
            f"{entry['started_h']:.1f}",
            dkh(a["umol_per_kg"], a["u"], s["truth"]).removesuffix(" dKH"),
            dkh(a["truth"], 0.0, s["truth"]).split()[0],
            "–" if a["umol_per_kg"] is None else f"{a['umol_per_kg'] - a['truth']:+.1f}",
            _value(ph["value"], ph["u"], 3),
            f"{ph['truth']:.3f}",
            _value(s["value"], s["u"], 2),
            f"{s['truth']:.2f}",
            " ".join([a["verdict"], ", ".join(a["reasons"])]).strip(),
        )
    screen = console()
    screen.print(table)
    screen.print("[dim]± is twice the standard uncertainty (k = 2); the truth is the twin's.[/dim]\n")
    for trip in outcome["trips"]:
        until = "" if trip["cleared_h"] is None else f" to {trip['cleared_h']:.2f} h"
        screen.print(f"{trip['at_h']:.2f} h{until}: {trip['kind']} {trip['interlock']} cut {', '.join(trip['cuts'])}")
    for alert in outcome["alerts"]:
        screen.print(f"{alert['at_h']:.2f} h: {alert['severity']}: {alert['text']}")
    truth = outcome["truth"]
    screen.print(
        f"Truth of the twin: vessel at most {truth['peak_vessel_ml']:.0f} of {truth['vessel_capacity_ml']:.0f} mL, "
        f"spilled {truth['spilled_ml']:.1f} mL, titrant to the tank {truth['titrant_to_tank_ml']:.2f} mL; "
        f"{outcome['wall_s']:.1f} s of computing."
    )


def _value(value: float | None, u: float | None, digits: int) -> str:
    return "–" if value is None or u is None else f"{value:.{digits}f} ± {COVERAGE * u:.{digits}f}"


def plot_curve(curve: Curve, ends: dict[str, float], acid_umol_kg_per_g: float, *, height: int = 18) -> None:
    """Plot a titration curve in the terminal, with the end points found on it.

    Parameters
    ----------
    curve
        The curve.
    ends
        Alkalinity by label, umol/kg.
    acid_umol_kg_per_g
        What one gram of titrant adds to a kilogram of sample.
    """
    acid = [float(g) * acid_umol_kg_per_g for g in curve.titrant_g]
    plotext.clear_figure()
    plotext.theme("clear")
    plotext.plot_size(min(100, console().width), height)
    plotext.plot(acid, [float(e) for e in curve.emf_mv], marker="dot")
    for value in ends.values():
        if min(acid) <= value <= max(acid):
            plotext.vline(value)
    plotext.xlabel("acid added, umol/kg of sample")
    plotext.ylabel("electrode, mV")
    plotext.title("; ".join(f"{label}: {value:.0f}" for label, value in ends.items()))
    text = plotext.build()
    sys.stdout.write((text if sys.stdout.isatty() else plotext.uncolorize(text)) + "\n")


def print_end_point(end_point: EndPoint, salinity: float, temperature_c: float) -> None:
    """Print one evaluation."""
    table = Table(box=None, show_header=False, pad_edge=False)
    a, u = end_point.alkalinity_umol_kg, end_point.u_umol_kg
    table.add_row("alkalinity", f"{a:.1f} ± {COVERAGE * u:.1f} umol/kg (k = 2)")
    table.add_row("", dkh(a, u, salinity))
    table.add_row("method", end_point.method)
    if end_point.e0_mv is not None:
        table.add_row("electrode E0, total scale", f"{end_point.e0_mv:.3f} mV at {temperature_c:.2f} °C")
    if end_point.slope is not None:
        table.add_row("electrode slope", f"{100.0 * end_point.slope:.2f} % of Nernst")
    if end_point.carbon_umol_kg is not None:
        carbon = end_point.carbon_umol_kg
        table.add_row(
            "inorganic carbon", f"{carbon.value:.0f} ± {COVERAGE * carbon.u:.0f} umol/kg at the first reading used"
        )
    table.add_row("readings used", str(end_point.points_used))
    table.add_row("residual", f"{end_point.residual_mv:.3f} mV rms")
    if end_point.co2_loss_per_min is not None:
        loss = end_point.co2_loss_per_min
        table.add_row("CO2 lost", f"{loss.value:.3f} ± {COVERAGE * loss.u:.3f} of what is dissolved, by the minute")
    for finding in end_point.findings:
        mark = "[bold]flagged[/bold]: " if finding.flagged else ""
        table.add_row(finding.code, f"{mark}{finding.statistic:.1f}, limit {finding.limit:.1f} ({finding.about})")
    console().print(table)
