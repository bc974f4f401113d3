"""The alkalinity of the last days in the keeper's band, up to this moment: for a telephone, by matplotlib."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import matplotlib as mpl
import matplotlib.dates as mdates
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from saltern.chemistry.alkalinity_unit import COVERAGE, AlkalinityUnit, from_dkh
from saltern.model.determination import Determination
from saltern.model.logbook import Logged
from saltern.model.verdict import REPORTABLE
from saltern.report.charts import AMBER, BLUE, GREY, INK, KINDS, STYLE, TEAL, alkalinity_tests, epochs, in_unit

SHOWN = timedelta(days=3)
SIZE_IN = (4.7, 3.1)
"""Drawn so small that its letters can be read where a telephone shows it 360 px wide."""


@dataclass(frozen=True)
class Band:
    """Where the keeper wants the tank, dKH; None where the bench file does not say."""

    low: float | None = None
    high: float | None = None
    target: float | None = None


def band_chart(
    results: Sequence[Determination],
    logged: Sequence[Logged],
    band: Band,
    unit: AlkalinityUnit,
    now: datetime,
    zone: ZoneInfo,
) -> Figure:
    """Draw three days of the tank's alkalinity that end at this moment.

    Parameters
    ----------
    results
        Determinations of the tank, oldest first; earlier ones are left out.
    logged
        What the keeper wrote down: kit tests are points, doses and water changes lines.
    band, unit
        The keeper's band and target, and the unit in which alkalinity is drawn.
    now, zone
        Where the chart ends, and the zone of its clock.
    """
    begin = now - SHOWN
    shown = [d for d in results if begin <= d.started_at <= now and d.alkalinity.value is not None]
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=SIZE_IN, layout="constrained")
        axis = figure.subplots()
        _draw_band(axis, band, unit)
        _draw_results(axis, shown, unit)
        _draw_logged(axis, [entry for entry in logged if begin <= entry.at <= now], unit)
        for number, at in enumerate(at for at in epochs(results) if begin <= at <= now):
            axis.axvline(
                mdates.date2num(at), color=INK, alpha=0.5, linewidth=0.9, linestyle="dashed",
                label="_" if number else "new titre factor",
            )  # fmt: skip
        if not shown:
            axis.text(0.5, 0.5, "no result of the tank in these three days", transform=axis.transAxes, ha="center")
        axis.set_xlim(mdates.date2num(begin), mdates.date2num(now))
        axis.set_ylabel(f"alkalinity, {unit.value}")
        axis.grid(True, color=GREY, alpha=0.25, linewidth=0.6)
        axis.xaxis.set_major_locator(mdates.DayLocator(tz=zone))
        axis.xaxis.set_major_formatter(mdates.DateFormatter("%a 0 h", tz=zone))
        axis.xaxis.set_minor_locator(mdates.HourLocator(byhour=(6, 12, 18), tz=zone))
        if axis.get_legend_handles_labels()[1]:
            axis.legend(
                loc="lower left",
                bbox_to_anchor=(0.0, 1.0),
                ncols=3,
                frameon=False,
                fontsize=8,
                columnspacing=1.0,
                handlelength=1.4,
            )
    return figure


def _draw_band(axis: Axes, band: Band, unit: AlkalinityUnit) -> None:
    low, high, target = (None if dkh is None else from_dkh(dkh, unit) for dkh in (band.low, band.high, band.target))
    if low is not None and high is not None:
        axis.axhspan(low, high, color=TEAL, alpha=0.12, linewidth=0, label="your band")
    for edge in (low, high):
        if edge is not None:
            axis.axhline(edge, color=TEAL, alpha=0.6, linewidth=0.8)
    if target is not None:
        axis.axhline(target, color=TEAL, alpha=0.8, linewidth=0.8, linestyle="dotted")


def _draw_results(axis: Axes, shown: Sequence[Determination], unit: AlkalinityUnit) -> None:
    accepted = [d for d in shown if d.alkalinity.verdict in REPORTABLE]
    doubted = [d for d in shown if d.alkalinity.verdict not in REPORTABLE]
    if accepted:
        axis.errorbar(
            mdates.date2num([d.started_at for d in accepted]),
            [in_unit(d, d.alkalinity.value or 0.0, unit) for d in accepted],
            yerr=[COVERAGE * in_unit(d, d.alkalinity.u or 0.0, unit) for d in accepted],
            color=BLUE, marker="o", markersize=3.5, linewidth=1.1, elinewidth=0.9, label="result, ± 2 u",
        )  # fmt: skip
    if doubted:
        axis.plot(
            mdates.date2num([d.started_at for d in doubted]),
            [in_unit(d, d.alkalinity.value or 0.0, unit) for d in doubted],
            linestyle="none", marker="o", markersize=6, markerfacecolor="none", markeredgecolor=BLUE,
            label="not accepted",
        )  # fmt: skip


def _draw_logged(axis: Axes, logged: Sequence[Logged], unit: AlkalinityUnit) -> None:
    tests = [(entry.at, value) for entry, value in alkalinity_tests(logged, unit)]
    if tests:
        at, value = zip(*tests, strict=True)
        axis.plot(
            mdates.date2num(list(at)), list(value), linestyle="none", marker="D", markersize=5, color=AMBER,
            label="your test",
        )  # fmt: skip
    for kind in ("water-change", "dose"):
        colour, word = KINDS[kind]
        for number, entry in enumerate(one for one in logged if one.entry.kind == kind):
            label = "_" if number else word  # a legend leaves out what begins so
            axis.axvline(mdates.date2num(entry.at), color=colour, alpha=0.6, linewidth=1.0, label=label)
