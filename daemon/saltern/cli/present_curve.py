"""Screens of a titration curve: as it grows, as it was, and what was found on it."""

import sys
from types import TracebackType
from typing import Any, Self

import plotext
from rich.live import Live
from rich.text import Text

from saltern.chemistry.alkalinity_unit import COVERAGE, AlkalinityUnit
from saltern.chemistry.endpoint.curve import Curve, EndPoint
from saltern.cli.present import alkalinity, alkalinity_of, console, say, say_lines
from saltern.cli.present_lines import labelled
from saltern.cli.present_progress import progress, so_far


class Watched:
    """A run being watched: on a terminal the curve grows in place, elsewhere phases and points come line by line.

    Parameters
    ----------
    running
        What is under way, as the service says it.
    unit
        In which its keeper reads alkalinity.
    silent
        Whether nothing is shown.
    """

    def __init__(self, running: dict[str, Any], unit: AlkalinityUnit, *, silent: bool) -> None:
        self._what = f"{running['what']}"
        self._phase = str(running["phase"])
        self._how_far, self._so_far = progress(running), so_far(running, unit)
        self._unit = unit
        self._points = [tuple(point) for point in running["points"]]
        self._silent = silent
        self._live = Live(console=console(), refresh_per_second=4, transient=False) if sys.stdout.isatty() else None
        if silent:
            self._live = None

    def __enter__(self) -> Self:
        if self._live is not None:
            self._live.start()
            self._live.update(self._drawn())
        elif not self._silent:
            say(f"{self._what}: {self._phase}{self._how_far}")
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        if self._live is not None:
            self._live.stop()

    def step(self, event: dict[str, Any]) -> None:
        point = event.get("point")
        if point is not None:
            self._points.append(tuple(point))
        changed, self._phase = event["phase"] != self._phase, event["phase"]
        self._how_far, self._so_far = progress(event), so_far(event, self._unit)
        if self._live is not None:
            self._live.update(self._drawn())
        elif not self._silent and point is not None:
            say_lines([f"  {point[0]:7.3f} mL  {point[1]:8.2f} mV{self._so_far}"])
        elif not self._silent and changed:
            say(f"{self._phase}{self._how_far}")

    def again(self, found: dict[str, Any]) -> None:
        """Say that what came is a surprise, and that it is measured once more; the next curve begins empty."""
        self._points = []
        if self._live is not None:
            self._live.update(self._drawn())
        if self._silent:
            return
        a = found["alkalinity"]
        say(
            f"Determination {found['id']}: {alkalinity_of(a, self._unit)} {self._unit.value}, {a['verdict']} "
            f"({', '.join(a['reasons'])}). It is measured once more, which confirms it or does not."
        )

    def _drawn(self) -> Text:
        head = f"{self._what}: {self._phase}{self._how_far}{self._so_far}"
        if len(self._points) < 2:
            return Text(head)
        plotext.clear_figure()
        plotext.theme("clear")
        plotext.plot_size(min(80, console().width), 16)
        plotext.plot([ml for ml, _ in self._points], [mv for _, mv in self._points], marker="dot")
        plotext.xlabel("titrant, mL")
        plotext.ylabel("electrode, mV")
        return Text(head + "\n" + plotext.uncolorize(plotext.build()))


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


def print_end_point(end_point: EndPoint, salinity: float, temperature_c: float, unit: AlkalinityUnit) -> None:
    """Print one evaluation."""
    rows: list[tuple[str, str]] = []
    a, u = end_point.alkalinity_umol_kg, end_point.u_umol_kg
    rows.append(("alkalinity", f"{a:.1f} ± {COVERAGE * u:.1f} umol/kg (k = 2)"))
    if unit is not AlkalinityUnit.UMOL_KG:
        rows.append(("", f"{alkalinity(a, u, salinity, unit)} {unit.value}"))
    rows.append(("method", end_point.method))
    if end_point.e0_mv is not None:
        rows.append(("electrode E0, total scale", f"{end_point.e0_mv:.3f} mV at {temperature_c:.2f} °C"))
    if end_point.slope is not None:
        rows.append(("electrode slope", f"{100.0 * end_point.slope:.2f} % of Nernst"))
    if end_point.bend_mv is not None:
        bend = end_point.bend_mv
        rows.append(("electrode bend", f"{bend.value:+.1f} ± {COVERAGE * bend.u:.1f} mV at pH 8, allowed for"))
    if end_point.carbon_umol_kg is not None:
        carbon = end_point.carbon_umol_kg
        rows.append(
            ("inorganic carbon", f"{carbon.value:.0f} ± {COVERAGE * carbon.u:.0f} umol/kg at the first reading used")
        )
    rows.append(("readings used", str(end_point.points_used)))
    rows.append(("residual", f"{end_point.residual_mv:.3f} mV rms"))
    if end_point.co2_loss_per_min is not None:
        loss = end_point.co2_loss_per_min
        rows.append(("CO2 lost", f"{loss.value:.3f} ± {COVERAGE * loss.u:.3f} of what is dissolved, by the minute"))
    for finding in end_point.findings:
        mark = "flagged: " if finding.flagged else ""
        rows.append((finding.code, f"{mark}{finding.statistic:.1f}, limit {finding.limit:.1f} ({finding.about})"))
    for label, text in rows:
        say_lines(labelled(label, text, console().width, label_width=27))
