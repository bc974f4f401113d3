"""The charts of a report, by matplotlib: as SVG whose lines take the page's own text colour, or as a PNG."""

import io
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from html import escape
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import matplotlib as mpl
import matplotlib.dates as mdates
from matplotlib.figure import Figure

from saltern.chemistry.alkalinity_unit import COVERAGE, USUAL_SALINITY, AlkalinityUnit, from_dkh
from saltern.chemistry.units import umol_kg_to_dkh
from saltern.model.determination import Determination, Source
from saltern.model.logbook import Logged, OtherTest
from saltern.model.verdict import REPORTABLE, Quantity

INK = "#0a0b0c"
"""Drawn in this colour, which no chart uses otherwise; on a page it becomes that of the text, light or dark."""

BLUE, AMBER, TEAL, GREY = "#3b7dd8", "#c9822b", "#2a9d8f", "#888888"
STYLE: dict[Any, Any] = {
    "svg.fonttype": "none",
    "font.family": "sans-serif",
    "font.size": 10,
    "text.color": INK,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "figure.facecolor": "none",
    "axes.facecolor": "none",
}
KINDS = {
    "dose": (TEAL, "dose"),
    "water-change": (BLUE, "water change"),
    "doser": (TEAL, "doser set"),
    "test": (AMBER, "other test"),
    "event": (GREY, "event"),
    "remark": (GREY, "remark"),
}
TESTED_AS = {"alkalinity": "alkalinity_dkh", "ph_total": "ph", "salinity": "salinity"}
"""By the quantity of a determination, what the keeper's log calls the same: such a test is a point, no line."""


@dataclass(frozen=True)
class _Series:
    at: list[datetime]
    value: list[float]
    spread: list[float]


LEAST_SPAN = timedelta(hours=12)


def overview(
    results: Sequence[Determination], logged: Sequence[Logged], zone: ZoneInfo, unit: AlkalinityUnit
) -> Figure:
    """Draw the tank's alkalinity, pH and salinity with what the keeper wrote down, on one time axis.

    References and other waters are left out. A kit's pH is drawn as it was read, on its own scale.
    """
    results = [d for d in results if d.source is Source.TANK]
    points = {
        name: alkalinity_tests(logged, unit) if name == "alkalinity" else tests_of(logged, as_logged)
        for name, as_logged in TESTED_AS.items()
    }
    drawn = {entry.id for found in points.values() for entry, _ in found}
    lines = [entry for entry in logged if entry.id not in drawn]
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(9.0, 7.0), layout="constrained")
        axes = figure.subplots(3, 1, sharex=True, height_ratios=(3, 2, 2))
        panels = (
            (axes[0], f"alkalinity, {unit.value}", "alkalinity", BLUE),
            (axes[1], "pH, total scale", "ph_total", TEAL),
            (axes[2], "practical salinity", "salinity", AMBER),
        )
        for axis, label, name, colour in panels:
            _draw_series(axis, results, name, colour, zone, unit)
            if points[name]:
                tested = [entry.at.astimezone(zone) for entry, _ in points[name]]
                axis.plot(
                    tested, [value for _, value in points[name]], linestyle="none", marker="D", markersize=6,
                    color=AMBER, markeredgecolor=INK, markeredgewidth=0.6, label="your test",
                )  # fmt: skip
            axis.yaxis.tick_right()  # where the newest is: a narrow screen shows that end first
            axis.yaxis.set_label_position("right")
            axis.spines["right"].set_visible(True)
            axis.spines["left"].set_visible(False)
            axis.set_ylabel(label)
            axis.grid(True, color=GREY, alpha=0.25, linewidth=0.6)
        standardised = [at.astimezone(zone) for at in epochs(results)]
        for at in standardised:
            axes[0].axvline(at, color=INK, alpha=0.5, linewidth=0.9, linestyle="dashed")
        if standardised:
            axes[0].plot([], [], color=INK, alpha=0.5, linewidth=0.9, linestyle="dashed", label="new titre factor")
        for entry in lines:
            colour, _ = KINDS[entry.entry.kind]
            for axis in axes:
                axis.axvline(entry.at.astimezone(zone), color=colour, alpha=0.55, linewidth=0.9)
        for kind in dict.fromkeys(entry.entry.kind for entry in lines):
            axes[0].plot([], [], color=KINDS[kind][0], alpha=0.55, linewidth=0.9, label=KINDS[kind][1])
        named: dict[str, Any] = {}
        for axis in axes:
            for handle, label in zip(*axis.get_legend_handles_labels(), strict=True):
                named.setdefault(label, handle)
        axes[0].legend(
            list(named.values()), list(named), loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=4, frameon=False,
            fontsize=9,
        )  # fmt: skip
        times = [d.started_at.astimezone(zone) for d in results]
        if times and max(times) - min(times) < LEAST_SPAN:  # one point alone would span years
            axes[2].set_xlim(min(times) - LEAST_SPAN, max(times) + LEAST_SPAN)
        locator = mdates.AutoDateLocator(tz=zone, maxticks=8)
        axes[2].xaxis.set_major_locator(locator)
        axes[2].xaxis.set_major_formatter(mdates.ConciseDateFormatter(locator, tz=zone))
    return figure


def curve(d: Determination) -> Figure:
    """Draw one titration: the curve with its end point, and the standardised residuals below."""
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(5.2, 3.8), layout="constrained")
        above, below = figure.subplots(2, 1, height_ratios=(3, 1))
        if d.curve is not None and d.conditions is not None:
            per_g = d.conditions.titrant_mol_per_kg / d.conditions.sample_g * 1e6
            above.plot(d.curve.titrant_g * per_g, d.curve.emf_mv, marker="o", markersize=4, color=BLUE, linewidth=1)
        above.set_xlabel("acid, µmol/kg of sample")
        above.set_ylabel("electrode, mV")
        if d.end_point is not None:
            above.axvline(d.end_point.alkalinity_umol_kg, color=AMBER, linewidth=1)
            residuals = d.end_point.standardised_residuals
            below.bar(range(1, len(residuals) + 1), residuals, color=BLUE, width=0.5)
        below.axhline(0.0, color=INK, linewidth=0.6)
        below.set_xlabel("reading")
        below.set_ylabel("residual, sd")
    return figure


def as_svg(figure: Figure, label: str = "") -> str:
    """Return the figure as SVG for a page: its ink is the page's, it scales with the page, and a label names it."""
    buffer = io.StringIO()
    with mpl.rc_context(STYLE):
        figure.savefig(buffer, format="svg", metadata={"Date": None})
    text = buffer.getvalue()
    named = f'<svg role="img" aria-label="{escape(label)}"' if label else "<svg"
    return text[text.index("<svg") :].replace(INK, "currentColor").replace("<svg", named, 1)


def as_png(figure: Figure) -> bytes:
    """Return the figure as a picture, on white."""
    buffer = io.BytesIO()
    with mpl.rc_context(STYLE):
        figure.savefig(buffer, format="png", dpi=130, facecolor="white")
    return buffer.getvalue()


def _draw_series(
    axis: Any, results: Sequence[Determination], name: str, colour: str, zone: ZoneInfo, unit: AlkalinityUnit
) -> None:
    reportable, doubted = (_series(results, name, sound, zone, unit) for sound in (True, False))
    if reportable.at:
        low = [v - s for v, s in zip(reportable.value, reportable.spread, strict=True)]
        high = [v + s for v, s in zip(reportable.value, reportable.spread, strict=True)]
        axis.fill_between(reportable.at, low, high, color=colour, alpha=0.2, linewidth=0, label="± 2 u")
        axis.plot(
            reportable.at, reportable.value, color=colour, linewidth=1.0, marker="o", markersize=3, label="accepted"
        )
    if doubted.at:
        axis.plot(
            doubted.at, doubted.value, linestyle="none", marker="o", markersize=6, markerfacecolor="none",
            markeredgecolor=colour, label="not accepted",
        )  # fmt: skip


def tests_of(logged: Sequence[Logged], quantity: str) -> list[tuple[Logged, float]]:
    """Return the keeper's own tests of a quantity, with their values."""
    return [
        (entry, entry.entry.value)
        for entry in logged
        if isinstance(entry.entry, OtherTest) and entry.entry.quantity == quantity
    ]


def alkalinity_tests(logged: Sequence[Logged], unit: AlkalinityUnit) -> list[tuple[Logged, float]]:
    """Return the keeper's own tests of alkalinity, which are kept in dKH, in the unit that is drawn."""
    return [(entry, from_dkh(value, unit)) for entry, value in tests_of(logged, TESTED_AS["alkalinity"])]


def epochs(results: Sequence[Determination]) -> list[datetime]:
    """Return when results began to be made with another titre factor: a step there is not the tank's."""
    measured = [d for d in results if d.alkalinity.value is not None]
    pairs = pairwise(measured)
    return [
        after.started_at
        for before, after in pairs
        if before.calibrations.get("titre") != after.calibrations.get("titre")
    ]


def in_unit(d: Determination, umol_kg: float, unit: AlkalinityUnit) -> float:
    """Return an amount of a determination's water in this unit, by its own salinity; 35 where that is not known."""
    if unit is AlkalinityUnit.UMOL_KG:
        return umol_kg
    salinity = USUAL_SALINITY if d.salinity.value is None else d.salinity.value
    return from_dkh(umol_kg_to_dkh(umol_kg, salinity), unit)


def _series(results: Sequence[Determination], name: str, sound: bool, zone: ZoneInfo, unit: AlkalinityUnit) -> _Series:
    found = _Series([], [], [])
    for d in results:
        quantity: Quantity = getattr(d, name)
        if quantity.value is None or (quantity.verdict in REPORTABLE) is not sound:
            continue
        factor = in_unit(d, 1.0, unit) if name == "alkalinity" else 1.0
        found.at.append(d.started_at.astimezone(zone))
        found.value.append(factor * quantity.value)
        found.spread.append(factor * COVERAGE * (quantity.u or 0.0))
    return found
