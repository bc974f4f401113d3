"""Control charts as a figure: Shewhart, EWMA and CUSUM of references, and of what the tank's model did not expect."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import matplotlib as mpl
import matplotlib.dates as mdates
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from saltern.report.charts import AMBER, BLUE, GREY, INK, STYLE

NAMES = {"references": "references", "innovations": "results, less what the tank's model expected"}


def control_charts(chart: dict[str, Any], zone: ZoneInfo) -> Figure:
    """Draw the three charts of one series; what lies outside its limits is marked.

    Parameters
    ----------
    chart
        As a diagnosis holds it in JSON; its values are in standard deviations.
    zone
        Of the bench's clock.
    """
    at = [mdates.date2num(datetime.fromisoformat(each)) for each in chart["at_utc"]]
    single, ewma, cusum = chart["shewhart"], chart["ewma"], chart["cusum"]
    count = len(at)
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(9.0, 4.8), layout="constrained")
        axes = figure.subplots(3, 1, sharex=True)
        limits = [single["low"]] * count, [single["high"]] * count
        _draw(axes[0], "Shewhart", at, [chart["values"]], limits, single["out"])
        _draw(axes[1], "EWMA", at, [ewma["line"]], (ewma["low"], ewma["high"]), ewma["out"])
        below = [-value for value in cusum["below"]]
        limits = [-cusum["limit"]] * count, [cusum["limit"]] * count
        _draw(axes[2], "CUSUM", at, [cusum["above"], below], limits, cusum["out"])
        locator = mdates.AutoDateLocator(tz=zone, maxticks=8)
        axes[2].xaxis.set_major_locator(locator)
        axes[2].xaxis.set_major_formatter(mdates.ConciseDateFormatter(locator, tz=zone))
    return figure


def _draw(
    axis: Axes,
    name: str,
    at: Sequence[float],
    lines: Sequence[Sequence[float]],
    limits: tuple[Sequence[float], Sequence[float]],
    out: Sequence[int],
) -> None:
    for line in lines:
        axis.plot(at, line, color=BLUE, linewidth=1.0, marker="o", markersize=2.5)
    for limit in limits:
        axis.plot(at, limit, color=INK, alpha=0.5, linewidth=0.8, linestyle="dashed")
    for place in out:
        farthest = max((line[place] for line in lines), key=abs)
        axis.plot(at[place], farthest, marker="o", markersize=8, markerfacecolor="none", color=AMBER)
    axis.axhline(0.0, color=GREY, linewidth=0.6)
    axis.set_ylabel(f"{name}, sd")


def summary(chart: dict[str, Any]) -> str:
    """Return how many values there are, and how many lie outside the limits of each chart."""
    outside = ", ".join(
        f"{name} {len(chart[key]['out'])}"
        for key, name in (("shewhart", "Shewhart"), ("ewma", "EWMA"), ("cusum", "CUSUM"))
    )
    return f"{NAMES[chart['of']]}: {len(chart['values'])} values; outside the limits: {outside}."
