"""Standardising the titrant: determinations of a water of known alkalinity, and the titre factor that makes them right.

The factor holds concentration, titrant pump gain and sample volume in one number, so that their common errors cancel.
"""

from collections.abc import Callable
from datetime import date
from math import sqrt
from statistics import mean, stdev
from typing import Annotated, Literal

from pydantic import Field
from pydantic.dataclasses import dataclass as validated

from saltern.bench.bench import Bench, StopRequested
from saltern.errors import SalternError
from saltern.model.calibration import Calibration, Cause, Kind, RefusedError, Value
from saltern.model.determination import Determination
from saltern.model.verdict import Reason, Verdict
from saltern.procedures.options import CHECKED, Day, Lot
from saltern.procedures.prompts import Prompts
from saltern.quality.titre_filter import JUMP_SIGMAS, TitreState, aged, updated

EXTRA_TRIES = 2
SCATTER_LIMIT = {2: 3.29, 3: 2.63, 4: 2.33, 5: 2.15, 6: 2.03}
"""How far the scatter of n replicates may exceed what is stated: sqrt(chi2(0.999, n - 1) / (n - 1)), by tables."""

STATED_FREEDOM = 10
"""What a determination states of its own repeatability counts as much as so many degrees of freedom."""

SHARED = ("titre factor", "age of the titre factor", "titrant strength", "titrant pump gain", "sample pump gain")
"""Sources that replicates of one reference share: they are what the factor takes away."""

BELIEVABLE_FACTOR = (0.8, 1.25)


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
    bench: Bench, prompts: Prompts, options: StandardiseOptions, measure: Measure, before: TitreState | None
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

    Raises
    ------
    RefusedError
        The reference has expired, determinations of it are not believed, or they scatter.
    """
    _demand_fresh(options, bench.clock.now().date())
    if options.by_hand:
        prompts.confirm(
            "inlet-in-reference",
            f"Put the sample line's inlet into the reference ({options.alkalinity_umol_kg:.0f} umol/kg {options.lot})",
        )
    try:
        believed = _replicates(prompts, options, measure)
    except SalternError:
        if options.by_hand:
            prompts.say("Do not forget: the sample line's inlet is still in the reference")
        raise
    if options.by_hand:
        prompts.confirm("inlet-back", "Put the sample line's inlet back into the tank")
    return _factor_of(bench, prompts, options, believed, before)


def _demand_fresh(options: StandardiseOptions, today: date) -> None:
    if options.expires is not None and today > date.fromisoformat(options.expires):
        raise RefusedError(
            Cause.EXPIRED,
            f"the reference {options.lot} expired on {options.expires}",
            kind=Kind.TITRE,
            remedy="Take a fresh one",
        )


def _replicates(prompts: Prompts, options: StandardiseOptions, measure: Measure) -> list[Determination]:
    believed: list[Determination] = []
    tried = 0
    while len(believed) < options.times:
        tried += 1
        if tried > options.times + EXTRA_TRIES:
            raise RefusedError(
                Cause.NOT_BELIEVED,
                f"only {len(believed)} of {tried - 1} determinations of the reference can be believed",
                kind=Kind.TITRE,
                remedy="Look at their reasons: saltern results",
            )
        d = measure()
        demand_going_on(d)
        if is_believed(d):
            believed.append(d)
            prompts.see("alkalinity without the factor", raw_umol_kg(d), "umol/kg")
        else:
            prompts.say(f"not believed: {', '.join(reason.value for reason in d.alkalinity.reasons)}")
    return believed


def demand_going_on(d: Determination) -> None:
    """End the procedure with a determination that was stopped.

    Raises
    ------
    StopRequested
        It was.
    """
    if Reason.STOPPED in d.alkalinity.reasons:
        raise StopRequested("a stop was asked for", where="guided procedure", remedy="Begin again when ready")


def is_believed(d: Determination) -> bool:
    """Return whether a determination of a reference counts: that it lacks a factor does not speak against it."""
    lacking = {Reason.NOT_STANDARDISED, Reason.SETTLING, Reason.UNCERTAIN}
    sound = d.alkalinity.verdict in (Verdict.ACCEPTED, Verdict.PROVISIONAL) or set(d.alkalinity.reasons) <= lacking
    return d.end_point is not None and d.alkalinity.verdict is not Verdict.VOID and sound


def raw_umol_kg(d: Determination) -> float:
    """Return the alkalinity as labels and pump calibrations have it, without the titre factor."""
    assert d.end_point is not None  # noqa: S101 - is_believed has looked
    return d.end_point.alkalinity_umol_kg


def repeatability(d: Determination) -> float:
    """Return what a determination states of its own scatter, relative."""
    apart = {source: u for source, u in d.budget_umol_kg.items() if source not in SHARED}
    return sqrt(sum(u * u for u in apart.values())) / abs(d.alkalinity.value or 1.0)


def _factor_of(
    bench: Bench,
    prompts: Prompts,
    options: StandardiseOptions,
    believed: list[Determination],
    before: TitreState | None,
) -> Calibration:
    raw, count = [raw_umol_kg(d) for d in believed], len(believed)
    stated = sqrt(mean(repeatability(d) ** 2 for d in believed))
    scatter = stdev(raw) / mean(raw) if count > 1 else stated
    readings: tuple[dict[str, Value], ...] = tuple(
        {"raw_umol_kg": value, "started_utc": d.started_at.isoformat(timespec="seconds")}
        for value, d in zip(raw, believed, strict=True)
    )
    limit = SCATTER_LIMIT.get(count, 2.0)
    if count > 1 and scatter > limit * stated:
        raise RefusedError(
            Cause.SCATTER,
            f"{count} determinations scatter by {100.0 * scatter:.2f} %; the limit is {100.0 * limit * stated:.2f} %",
            kind=Kind.TITRE,
            remedy="Look for air in the lines and at the stirrer, and begin again",
            readings=readings,
        )
    pooled = sqrt(((count - 1) * scatter**2 + STATED_FREEDOM * stated**2) / (count - 1 + STATED_FREEDOM))
    found = TitreState(
        options.alkalinity_umol_kg / mean(raw), pooled / sqrt(count), options.u_umol_kg / options.alkalinity_umol_kg
    )
    if not BELIEVABLE_FACTOR[0] <= found.factor <= BELIEVABLE_FACTOR[1]:
        raise RefusedError(
            Cause.DIFFERS,
            f"the titre factor would be {found.factor:.3f}",
            kind=Kind.TITRE,
            remedy="The titrant is not what the bench file says, the reference is not what you said, or a pump is far "
            "off: calibrate the pumps, look at the labels",
            readings=readings,
        )
    state, apart = updated(before, found)
    words = (
        f"factor {state.factor:.5f}, u {state.u_percent:.3f} %; this standardisation alone {found.factor:.5f}, its "
        f"replicates scatter by {100.0 * scatter:.2f} %"
    )
    prompts.say(words)
    remarks = () if abs(apart) <= JUMP_SIGMAS else (f"the factor jumped by {apart:+.1f} standard uncertainties",)
    for remark in remarks:
        prompts.say(remark + ": look for what has changed; the new one counts alone")
    statistics = {
        "factor_found": found.factor,
        "u_found_percent": found.u_percent,
        "scatter_percent": 100.0 * scatter,
        "apart_sigmas": apart,
        "u_state": state.u,
        "u_reference": state.u_reference,
        "replicates": float(count),
        "reference_umol_kg": options.alkalinity_umol_kg,
    }
    return Calibration(
        Kind.TITRE,
        {
            "titre.factor": state.factor,
            "titre.u_percent": state.u_percent,
            "titre.calibrated_on": bench.clock.now().date().isoformat(),
        },
        words,
        statistics,
        readings,
        remarks,
    )


def state_in_force(
    factor: float, statistics: dict[str, float], since: date, today: date, drift_percent_per_month: float
) -> TitreState:
    """Return the factor in force, aged to today."""
    state = TitreState(factor, statistics["u_state"], statistics["u_reference"])
    return aged(state, (today - since).days, drift_percent_per_month)
