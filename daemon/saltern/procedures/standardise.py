"""Standardising the titrant: determinations of a water of known alkalinity, and the titre factor that makes them right.

The factor holds concentration, titrant pump gain and sample volume in one number, so that their common errors cancel.
"""

from collections.abc import Callable, Set
from datetime import date
from math import hypot, sqrt
from statistics import mean, stdev
from typing import Annotated, Literal

from pydantic import Field
from pydantic.dataclasses import dataclass as validated

from saltern.bench.bench import Bench, StopRequested
from saltern.config.tables import BenchConfig
from saltern.errors import SalternError
from saltern.model.calibration import Calibration, Cause, Kind, RefusedError, Value
from saltern.model.determination import Determination
from saltern.model.verdict import REPORTABLE, Reason, Verdict
from saltern.procedures.budget import OWN, SHOWN, TIP_HEIGHT_PERCENT
from saltern.procedures.options import CHECKED, Day, Lot
from saltern.procedures.prompts import Prompts
from saltern.procedures.titre import scatter_of, titre_at, values_of, values_of_scatter
from saltern.quality.scatter import learned
from saltern.quality.titre_filter import DAYS_A_MONTH, TitreState, Updated, found_by, updated

EXTRA_TRIES = 2
SCATTER_LIMIT = {2: 3.29, 3: 2.63, 4: 2.33, 5: 2.15, 6: 2.03}
"""How far the scatter of n replicates may exceed what is stated: sqrt(chi2(0.999, n - 1) / (n - 1)), by tables."""

PLAUSIBLE_FACTOR = (0.8, 1.25)
SURPRISES, AS_THE_TANK = 3.0, 3.0
"""So many standard uncertainties off, a factor is asked about; within so many, a reference reads like the tank."""


@validated(frozen=True, config=CHECKED)
class StandardiseOptions:
    """The reference.

    Parameters
    ----------
    alkalinity_umol_kg, u_umol_kg
        Of the reference, as its certificate or the recipe says; standard uncertainty (k = 1).
    medium
        `seawater`, or `nacl` for sodium carbonate made up in 0.7 mol/kg NaCl. Plain water is refused: its ionic
        strength is not that of the constants.
    times
        Replicates.
    lot
        For the records.
    expires
        ISO date after which the reference must not be used.
    """

    alkalinity_umol_kg: Annotated[float, Field(ge=100, le=8000)]
    u_umol_kg: Annotated[float, Field(ge=0.01, le=200)]
    medium: Literal["seawater", "nacl"] = "seawater"
    times: Annotated[int, Field(ge=1, le=6)] = 3
    lot: Lot = ""
    expires: Day | None = None
    by_hand: bool = True  # somebody puts the inlet into the reference


Measure = Callable[[], Determination]


def standardise(
    bench: Bench,
    prompts: Prompts,
    options: StandardiseOptions,
    measure: Measure,
    before: TitreState | None,
    tank: Determination | None = None,
) -> Calibration:
    """Measure the reference and find the factor.

    Parameters
    ----------
    bench, prompts, options
        As ever.
    measure
        Carries out and keeps one determination of the reference.
    before
        The factor in force, if it still counts.
    tank
        The last result of the tank: an inlet that was left there shows.

    Raises
    ------
    RefusedError
        The reference has expired, determinations of it are not accepted, or they scatter.
    """
    _demand_fresh(options, bench.clock.now().date())
    if options.by_hand:
        prompts.confirm(
            "inlet-in-reference",
            f"Put the sample line's inlet into the reference ({options.alkalinity_umol_kg:.0f} umol/kg {options.lot})",
        )
    try:
        reportable = _replicates(prompts, options, measure)
        if _looks_like_the_tank(bench, options, reportable, before, tank):
            reportable = _asked_for_the_bottle(prompts, options, measure, mean(raw_umol_kg(d) for d in reportable))
    except SalternError:
        if options.by_hand:
            prompts.say("Do not forget: the sample line's inlet is still in the reference")
        raise
    if options.by_hand:
        prompts.confirm("inlet-back", "Put the sample line's inlet back into the tank")
    return _factor_of(bench, prompts, options, reportable, before)


def _demand_fresh(options: StandardiseOptions, today: date) -> None:
    if options.expires is not None and today > date.fromisoformat(options.expires):
        raise RefusedError(
            Cause.EXPIRED,
            f"the reference {options.lot} expired on {options.expires}",
            kind=Kind.TITRE,
            remedy="Take a fresh one",
        )


def _replicates(prompts: Prompts, options: StandardiseOptions, measure: Measure) -> list[Determination]:
    reportable: list[Determination] = []
    tried = 0
    while len(reportable) < options.times:
        tried += 1
        if tried > options.times + EXTRA_TRIES:
            raise RefusedError(
                Cause.NOT_ACCEPTED,
                f"only {len(reportable)} of {tried - 1} determinations of the reference can be used",
                kind=Kind.TITRE,
                remedy="Check their reasons: saltern results",
            )
        d = measure()
        demand_going_on(d)
        if is_reportable(d):
            reportable.append(d)
            prompts.see("alkalinity without the factor", raw_umol_kg(d), "umol/kg")
        else:
            prompts.say(f"not used: {', '.join(reason.value for reason in d.alkalinity.reasons)}")
    return reportable


def demand_going_on(d: Determination) -> None:
    """End the procedure with a determination that was stopped.

    Raises
    ------
    StopRequested
        It was.
    """
    if Reason.STOPPED in d.alkalinity.reasons:
        raise StopRequested("a stop was asked for", where="guided procedure", remedy="Begin again when ready")


def is_reportable(d: Determination) -> bool:
    """Return whether a determination of a reference counts: that it lacks a factor does not speak against it."""
    lacking = {Reason.NOT_STANDARDISED, Reason.SETTLING, Reason.UNCERTAIN}
    sound = d.alkalinity.verdict in REPORTABLE or set(d.alkalinity.reasons) <= lacking
    return d.end_point is not None and d.alkalinity.verdict is not Verdict.VOID and sound


def raw_umol_kg(d: Determination) -> float:
    """Return the alkalinity as labels and pump calibrations have it, without the titre factor."""
    assert d.end_point is not None  # noqa: S101 - is_reportable has looked
    return d.end_point.alkalinity_umol_kg


def repeatability(d: Determination, sources: Set[str] = OWN) -> float:
    """Return what a determination states of its own scatter, relative: what replicates share shows in none of it."""
    own = (u for source, u in d.budget_umol_kg.items() if source in sources)
    return sqrt(sum(u * u for u in own)) / abs(d.alkalinity.value or 1.0)


def stated_u_percent(config: BenchConfig) -> float:
    """Return how far from 1 a first factor may be, by the stated uncertainties of labels and calibrations."""
    pumps, balance = config.pumps, config.probes.balance
    of_the_sample = pumps.sample.gain_u_percent
    if config.sample.draw_down is not None:
        of_the_sample = TIP_HEIGHT_PERCENT
    elif balance is not None:
        of_the_sample = balance.gain_u_percent
    return hypot(config.titrant.concentration_u_percent, pumps.titrant.gain_u_percent, of_the_sample)


def _off(
    bench: Bench, options: StandardiseOptions, reportable: list[Determination], before: TitreState | None
) -> float:
    """Return how far the factor lies from what is known beforehand, in standard uncertainties."""
    raw, stated = mean(raw_umol_kg(d) for d in reportable), sqrt(mean(repeatability(d) ** 2 for d in reportable))
    expected, u = (1.0, stated_u_percent(bench.config) / 100.0) if before is None else (before.factor, before.u)
    u_found = hypot(stated / sqrt(len(reportable)), options.u_umol_kg / options.alkalinity_umol_kg)
    return (options.alkalinity_umol_kg / raw / expected - 1.0) / hypot(u, u_found)


def _looks_like_the_tank(
    bench: Bench,
    options: StandardiseOptions,
    reportable: list[Determination],
    before: TitreState | None,
    tank: Determination | None,
) -> bool:
    """Return whether the factor is a surprise, and the water that was measured reads as the tank did."""
    if tank is None or tank.end_point is None or abs(_off(bench, options, reportable, before)) <= SURPRISES:
        return False
    stated = sqrt(mean(repeatability(d) ** 2 for d in reportable))
    raw = mean(raw_umol_kg(d) for d in reportable)
    alike = AS_THE_TANK * stated * sqrt(1.0 + 1.0 / len(reportable))
    return abs(raw / tank.end_point.alkalinity_umol_kg - 1.0) < alike


def _asked_for_the_bottle(
    prompts: Prompts, options: StandardiseOptions, measure: Measure, raw: float
) -> list[Determination]:
    """Ask whether the inlet is in the bottle, and measure again; nobody to ask, and it is refused.

    Raises
    ------
    RefusedError
        Nobody stands there.
    """
    text = f"this looks like your tank ({raw:.0f} umol/kg as titrated): is the inlet in the bottle?"
    if not options.by_hand:
        raise RefusedError(
            Cause.DIFFERS, text, kind=Kind.TITRE, remedy="Check the reference's valve: tank water may have been drawn"
        )
    prompts.confirm("inlet-in-reference", f"{text[0].upper()}{text[1:]} Put it there; it is measured again")
    return _replicates(prompts, options, measure)


def _factor_of(
    bench: Bench,
    prompts: Prompts,
    options: StandardiseOptions,
    reportable: list[Determination],
    before: TitreState | None,
) -> Calibration:
    raw, count = [raw_umol_kg(d) for d in reportable], len(reportable)
    stated = sqrt(mean(repeatability(d) ** 2 for d in reportable))
    scatter = stdev(raw) / mean(raw) if count > 1 else stated
    readings: tuple[dict[str, Value], ...] = tuple(
        {"raw_umol_kg": value, "started_utc": d.started_at.isoformat(timespec="seconds")}
        for value, d in zip(raw, reportable, strict=True)
    )
    limit = SCATTER_LIMIT.get(count, 2.0)
    if count > 1 and scatter > limit * stated:
        raise RefusedError(
            Cause.SCATTER,
            f"{count} determinations scatter by {100.0 * scatter:.2f} %; the limit is {100.0 * limit * stated:.2f} %",
            kind=Kind.TITRE,
            remedy="Look for air in the lines, check the stirrer, and begin again. If it scatters so again, let the "
            "pump's calibration learn it: saltern calibrate pump sample --times 10",
            readings=readings,
        )
    without = sqrt(mean(repeatability(d, OWN - {SHOWN}) ** 2 for d in reportable))  # what replicates had shown
    earlier = None if before is None else scatter_of(bench.config.titre)  # that of another tube does not count
    usual = learned(earlier, without, scatter, count)
    found = found_by(raw, usual.u, options.alkalinity_umol_kg, options.u_umol_kg)
    if not PLAUSIBLE_FACTOR[0] <= found.factor <= PLAUSIBLE_FACTOR[1]:
        raise RefusedError(
            Cause.DIFFERS,
            f"the titre factor would be {found.factor:.3f}",
            kind=Kind.TITRE,
            remedy="The titrant is not what the bench file says, the reference is not what you said, or a pump is far "
            "off: calibrate the pumps, check the labels",
            readings=readings,
        )
    outcome, now = updated(before, found), bench.clock.now()
    in_force = titre_at(bench.config.titre, now)
    moved_percent = 100.0 * (outcome.state.factor / (1.0 if in_force is None else in_force.factor) - 1.0)
    prompts.say(f"results will move by {moved_percent:+.2f} %")
    off = _off(bench, options, reportable, before)
    if before is None and abs(off) > SURPRISES:
        prompts.say(
            f"the factor lies {off:+.1f} standard uncertainties from what labels and pump calibrations state: is the "
            "reference what you said, and the titrant what its label says?"
        )
    state = outcome.state
    rate, u_rate = 100.0 * DAYS_A_MONTH * state.rate, 100.0 * DAYS_A_MONTH * state.u_rate
    words = (
        f"factor {state.factor:.5f}, u {state.u_percent:.3f} %, going by {rate:+.2f} ± {2.0 * u_rate:.2f} % a month; "
        f"this standardisation alone {found.factor:.5f}, its replicates scatter by {100.0 * scatter:.2f} %, "
        f"where {100.0 * usual.sd:.2f} % is usual"
    )
    prompts.say(words)
    remarks = _remarks(outcome)
    for remark in remarks:
        prompts.say(remark)
    statistics = {
        "factor_found": found.factor,
        "u_found_percent": found.u_percent,
        "scatter_percent": 100.0 * scatter,
        "apart_sigmas": outcome.apart,
        "u_state": state.u,
        "u_reference": state.u_reference,
        "replicates": float(count),
        "reference_umol_kg": options.alkalinity_umol_kg,
        **{f"innovation_{n}": z for n, z in enumerate(state.run, 1)},
    }
    which = options.lot or f"of {options.alkalinity_umol_kg:g} umol/kg"
    values = {**values_of(state, now, which), **values_of_scatter(usual)}
    return Calibration(Kind.TITRE, values, words, statistics, readings, remarks)


def _remarks(outcome: Updated) -> tuple[str, ...]:
    if outcome.jumped:
        return (
            f"the factor jumped by {outcome.apart:+.1f} standard uncertainties: look for what has changed; the new one "
            "counts alone",
        )
    if outcome.ran:
        return (
            "the last standardisations lie on one side of what was expected: a tube or the titrant has changed; look "
            "for what, and say when a new one is in: saltern part installed NAME",
        )
    return ()
