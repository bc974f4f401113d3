"""What a bench's own past lets one expect of a determination, and whether this one differs.

A wrong sample volume or a bubble before the first reading leaves a curve's shape as it was; only the past can see it,
and it cannot distinguish it from a true change of the tank. So a result that differs is not false: it is asked again.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from math import hypot
from statistics import NormalDist, median
from typing import Protocol

from saltern.chemistry.electrode import nernst_slope_mv
from saltern.chemistry.endpoint.curve import EndPoint, Estimate, Finding
from saltern.model.verdict import REPORTABLE, Quantity
from saltern.quality.usual_level import MOST_RESULTS as MOST_LEVELS
from saltern.quality.usual_level import expected_level

LEAST_RESULTS = 5
MOST_RESULTS = 12
FALSE_ALARM = 0.003
CONFIRMED_FROM = 1.9
"""An alkalinity that is further off than so many standard deviations is measured once more at once: of sound results
every seventeenth. Of results that are 0.3 dKH off alone hardly one then counts (`tests.benchmarks.confirmation`)."""

MAD_TO_SD = 1.4826
"""Of normal values: 1 / 0.6745, the third quartile of the standard normal."""

STUDENT = 1.25
"""About five results show a scatter within 30 %; limits are widened so that false alarms stay as rare as stated."""

PIVOT_PH = 4.0
OFFSET_FLOOR_MV, SLOPE_FLOOR, BEND_FLOOR_MV, PH_FLOOR, SALINITY_FLOOR = 0.3, 0.001, 0.2, 0.03, 0.3
"""Least scatter assumed from determination to determination, beside what each states of itself (common practice)."""

LEAST_REFERENCES, BEND_REPEATS_MV = 3, 0.5
"""So many replicates show a bend, and no better than this (assumed)."""

UNSEEN_FLOOR_UMOL_KG = 3.0
"""The same of acid that was counted and not seen; ten simulated benches scatter by 0.7 to 1.9 (good instruments)."""

UNSEEN_OWN = 0.25
"""Of the uncertainty that its fit states so much changes from run to run; most are calibrations, which repeat. Ten
simulated benches with a stated 22 umol/kg scatter by 3 to 11 (hobby instruments)."""


class Result(Protocol):
    """What counts of a determination."""

    @property
    def started_at(self) -> datetime: ...
    @property
    def alkalinity(self) -> Quantity: ...
    @property
    def ph_total(self) -> Quantity: ...
    @property
    def salinity(self) -> Quantity: ...
    @property
    def end_point(self) -> EndPoint | None: ...
    @property
    def temperature_c(self) -> float | None: ...
    @property
    def calibrated(self) -> Mapping[str, float | None]: ...
    @property
    def calibrations(self) -> Mapping[str, int]: ...


LOSS_FLOOR_PER_MIN = 0.03


@dataclass(frozen=True)
class History:
    """The last results of one source that were accepted, oldest first."""

    at: tuple[datetime, ...]  # of each alkalinity
    alkalinity: tuple[Estimate, ...]  # under one titre factor, each with its own part of its uncertainty
    pivot_mv: tuple[float, ...]  # the electrode's potential at pH 4 of the total scale
    slope: tuple[float, ...]
    ph_total: tuple[float, ...]
    salinity: tuple[float, ...] = ()
    bend_mv: tuple[float, ...] = ()  # of the electrode; 0 where the curve did not need one
    unseen_acid_umol_kg: tuple[float, ...] = ()  # counted before the first reading used, and not seen in it
    unusual_from: float | None = None  # standard deviations; None: no alkalinity is asked again for being unusual

    def expected_alkalinity(self, at: datetime) -> Estimate | None:
        """Return which alkalinity the tank is likely to have at this time, umol/kg; None before the fifth result."""
        begun = self.at[0] if self.at else at
        days = [(each - begun) / timedelta(days=1) for each in self.at]
        return expected_level(days, self.alkalinity, (at - begun) / timedelta(days=1))


NO_HISTORY = History((), (), (), (), ())


def history_of(
    results: Sequence[Result],
    cell_calibrated_on: date | None = None,
    factor: float | None = None,
    cell: int | None = None,
) -> History:
    """Return the history in results, oldest first; of each kind only what was reportable counts.

    Alkalinities are given under one titre factor, today's, so that a standardisation between them is no surprise.
    Salinities count only under the cell's calibration that is in force, by its number in the records, or by its date
    where the bench file gives it: another may find another value for the same water.
    """
    since = [
        d
        for d in results
        if d.calibrations.get("conductivity") == cell
        and (cell_calibrated_on is None or d.started_at.date() >= cell_calibrated_on)
    ]
    reportable = [d for d in results if _reportable(d.alkalinity) is not None]
    electrodes = [(d.end_point, d.temperature_c) for d in reportable if d.end_point is not None]
    pivots = [pivot_mv(e, t) for e, t in electrodes if t is not None]
    alkalinity = [_own(d, factor) for d in reportable]
    at = [d.started_at for d in reportable]
    ph_total = [_reportable(d.ph_total) for d in results]
    return History(
        at=tuple(at)[-MOST_LEVELS:],
        alkalinity=tuple(alkalinity)[-MOST_LEVELS:],
        pivot_mv=tuple(pivot for pivot in pivots if pivot is not None)[-MOST_RESULTS:],
        slope=tuple(e.slope for e, _ in electrodes if e.slope is not None and e.slope_u is not None)[-MOST_RESULTS:],
        bend_mv=tuple(0.0 if e.bend_mv is None else e.bend_mv.value for e, _ in electrodes)[-MOST_RESULTS:],
        ph_total=tuple(ph.value for ph in ph_total if ph is not None)[-MOST_RESULTS:],
        salinity=tuple(s.value for s in map(_reportable, (d.salinity for d in since)) if s is not None)[-MOST_RESULTS:],
    )


def usual_loss(results: Sequence[Result]) -> Estimate | None:
    """Return the rate at which the vessel usually loses CO2, 1/min, or None where too little is known.

    The median of what single determinations found, with their scatter: each knows it badly, and it may change with
    the stirrer, so the mean's own smaller uncertainty is not claimed.
    """
    found = [d.end_point.co2_loss_per_min for d in results if d.end_point is not None]
    rates = [rate for rate in found if rate is not None]
    if len(rates) < LEAST_RESULTS:
        return None
    usual, scatter = usual_of([rate.value for rate in rates], LOSS_FLOOR_PER_MIN)
    return Estimate(usual, scatter)


def usual_bend(references: Sequence[Result]) -> Estimate | None:
    """Return the electrode's bend at pH 8, mV, as determinations of references found it; None of fewer than three.

    A tank's curve may be bent by a wrong salinity or by air in the titrant; what three of a reference agree on is the
    electrode's. A reference of another medium bends it otherwise by what is not known of the constants of both.
    """
    found = [d.end_point for d in references if d.end_point is not None]
    if len(found) < LEAST_REFERENCES:
        return None
    bends = [0.0 if one.bend_mv is None else one.bend_mv.value for one in found]
    return Estimate(*usual_of(bends[-MOST_RESULTS:], BEND_REPEATS_MV))


def alkalinity_against(history: History, alkalinity: Estimate, at: datetime) -> tuple[Finding, ...]:
    """Compare the alkalinity with what is expected."""
    expected = history.expected_alkalinity(at)
    if expected is None:
        return ()
    spread, off = hypot(expected.u, alkalinity.u), alkalinity.value - expected.value
    about = f"{off:+.0f} umol/kg from the value expected after the last results, where {spread:.0f} is usual"
    statistic = abs(off) / spread
    if history.unusual_from is not None and statistic <= limit():
        return (Finding("unusual", statistic, history.unusual_from, about),)
    return (Finding("differs-from-expectation", statistic, limit(), about),)


def ph_against(history: History, ph_total: Estimate) -> tuple[Finding, ...]:
    """Compare the sample's pH with the range it has had: it swings by day and night."""
    if len(history.ph_total) < LEAST_RESULTS:
        return ()
    usual, scatter = usual_of(history.ph_total, PH_FLOOR)
    statistic = abs(ph_total.value - usual) / (scatter**2 + ph_total.u**2) ** 0.5
    return (
        Finding("differs-from-expectation", statistic, limit(), f"pH usually {usual:.2f}, now {ph_total.value:.2f}"),
    )


def salinity_against(history: History, salinity: Estimate) -> tuple[Finding, ...]:
    """Compare the sample's salinity with what it has been: a bubble at the cell takes a part of it at once.

    One result is past enough: a tank's salinity moves by less than the floor allows from one determination to the
    next. A tank that did change at once, by a large water change, is accepted again after the cell's next calibration.
    """
    if not history.salinity:
        return ()
    usual, scatter = usual_of(history.salinity, SALINITY_FLOOR)
    about = f"salinity usually {usual:.1f}, now {salinity.value:.1f}: a bubble at the cell, or a true change"
    return (Finding("differs-from-expectation", abs(salinity.value - usual) / scatter, limit(), about),)


def salinity_u_in_doubt(history: History, salinity: Estimate) -> float:
    """Return the standard uncertainty of a salinity that others are computed with: one that differs may be off by that.

    The sample's mass goes by its density, so an alkalinity is no better than the salinity that was read beside it.
    """
    if not any(finding.flagged for finding in salinity_against(history, salinity)):
        return salinity.u
    return hypot(salinity.u, salinity.value - median(history.salinity))


def unseen_acid_against(history: History, acid: Estimate | None, absolute_u: float) -> tuple[Finding, ...]:
    """Judge acid that was counted before the first reading used and is not seen in it, umol/kg.

    It speaks against the sample's pH as well: an electrode that moves between that reading and the titration shows so.

    Parameters
    ----------
    history
        What it usually is: constants, borate and a bent electrode repeat in that. Of few results the limit is wider.
    acid
        As this run found it, with the uncertainty of its fit.
    absolute_u
        Its uncertainty with all that repeats, by which it is judged where the bench has no past.
    """
    if acid is None:
        return ()
    lacks = f"{acid.value:+.0f} umol/kg of acid were counted before the first reading used and are not seen in it"
    found = [Finding("volume-step", abs(acid.value) / absolute_u, limit(), f"{lacks}: {_likely(acid.value)}")]
    known = len(history.unseen_acid_umol_kg)
    if known:
        usual, scatter = usual_of(history.unseen_acid_umol_kg, max(UNSEEN_FLOOR_UMOL_KG, UNSEEN_OWN * acid.u))
        statistic = abs(acid.value - usual) / (scatter * (1.0 + 1.0 / known) ** 0.5)
        about = f"{lacks}; usually {usual:+.0f}: {_likely(acid.value - usual)}"
        found.append(Finding("differs-from-expectation", statistic, limit(), about))
    return tuple(found)


def _likely(lacking_umol_kg: float) -> str:
    """Return what makes acid that was counted be missing, or acid be there that nobody counted."""
    if lacking_umol_kg > 0.0:
        return "air in the titrant line, or a pump that is weak"
    return "an electrode that moved after the sample's pH was read, or acid that ran in by itself"


def electrode_against(history: History, electrode: EndPoint, temperature_c: float) -> tuple[Finding, ...]:
    """Compare the fitted electrode, offset and slope, with what it has been."""
    pivot = pivot_mv(electrode, temperature_c)
    if pivot is None or electrode.slope is None or len(history.pivot_mv) < LEAST_RESULTS:
        return ()
    found = []
    slope_u, e0_u = electrode.slope_u or 0.0, electrode.e0_u_mv or 0.0
    per_slope = _per_slope_mv(temperature_c)
    variance = e0_u**2 + (per_slope * slope_u) ** 2 - 2.0 * per_slope * (electrode.e0_slope_covariance or 0.0)
    for name, now, u, past, floor in (
        ("potential at pH 4, mV", pivot, max(0.0, variance) ** 0.5, history.pivot_mv, OFFSET_FLOOR_MV),
        ("slope", electrode.slope, slope_u, history.slope, SLOPE_FLOOR),
    ):
        usual, scatter = usual_of(past, floor)
        statistic = abs(now - usual) / (scatter**2 + u**2) ** 0.5
        found.append(Finding("electrode-changed", statistic, limit(), f"{name}: usually {usual:.4g}, now {now:.4g}"))
    return (*found, *_bend_against(history.bend_mv, electrode.bend_mv))


def _bend_against(past: Sequence[float], bend_mv: Estimate | None) -> tuple[Finding, ...]:
    """Compare the electrode's bend with what it has been: a fault of one titration may look like a bend."""
    if bend_mv is None or len(past) < LEAST_RESULTS:
        return ()
    usual, scatter = usual_of(past, BEND_FLOOR_MV)
    about = f"bend at pH 8, mV: usually {usual:+.1f}, now {bend_mv.value:+.1f}"
    return (Finding("electrode-changed", abs(bend_mv.value - usual) / scatter, limit(), about),)


def pivot_mv(electrode: EndPoint, temperature_c: float) -> float | None:
    """Return the fitted potential at pH 4 of the total scale, where offset and slope hardly depend on each other."""
    if electrode.e0_mv is None or electrode.slope is None or electrode.slope_u is None:
        return None
    return electrode.e0_mv - electrode.slope * _per_slope_mv(temperature_c)


def _per_slope_mv(temperature_c: float) -> float:
    return PIVOT_PH * nernst_slope_mv(temperature_c)


def _reportable(quantity: Quantity) -> Estimate | None:
    if quantity.verdict not in REPORTABLE or quantity.value is None or quantity.u is None:
        return None
    return Estimate(quantity.value, quantity.u)


def _own(d: Result, factor: float | None) -> Estimate:
    """Return a reportable alkalinity as it would be under another titre factor, with its own part of u."""
    then = d.calibrated.get("titre.factor")
    scale = factor / then if factor and then else 1.0
    return Estimate(scale * (d.alkalinity.value or 0.0), scale * d.alkalinity.in_parts().u_own)


def usual_of(values: Sequence[float], floor: float) -> tuple[float, float]:
    """Return the median of values and their scatter about it, by the median too, and not less than a floor."""
    middle = median(values)
    return middle, max(MAD_TO_SD * median(abs(value - middle) for value in values), floor)


def limit() -> float:
    """Return how many standard deviations a sound bench passes with `FALSE_ALARM`, of a scatter known badly."""
    return STUDENT * NormalDist().inv_cdf(1.0 - FALSE_ALARM / 2.0)
