"""What of the records may explain a step of the tank, and what the keeper reads of one that nothing explains."""

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from math import inf

from saltern.chemistry.alkalinity_unit import USUAL_SALINITY, AlkalinityUnit, said
from saltern.chemistry.units import dkh_to_umol_kg, umol_kg_to_dkh
from saltern.config.tables import Alerts, BenchConfig
from saltern.model.calibration import Kind
from saltern.model.determination import Determination, Notice, Source
from saltern.model.logbook import Dose, Logged, OtherTest, WaterChange
from saltern.model.said_time import written_time
from saltern.model.verdict import REPORTABLE, Quantity, Reason, Verdict
from saltern.procedures.determination import TITRANT_WITHIN, TITRANT_WITHIN_G
from saltern.quality.baseline import SECONDS_A_DAY, Step, Witnesses, seen, unexplained_step
from saltern.quality.history import MOST_RESULTS
from saltern.quality.judge import SURPRISES, agree
from saltern.quality.volume_witness import volume_moved
from saltern.records.calibrations import ACCEPTED, ENDS_TITRE, in_force
from saltern.records.store import Store

WEIGHED_SAMPLE = 0.002
"""What two weighings of a sample may be off by, relative: some tenths of a gram in a hundred (assumed)."""

WITHIN_A_FACTOR = 2.0
"""Of what the keeper expects, which a colour kit has shown; a first fill that ran dry lies far outside (assumed)."""

SUPPORTS_FOR_DAYS = 0.5
"""A first result supports another one for so long: later the tank itself may have changed by more (assumed)."""

PH_A_DAY = 1.0
"""A tank's pH changes no faster: a daily sine of 0.3 from night to noon is 0.94 a day at its steepest (assumed)."""

ASKS = (
    "It is repeated and unexplained: a worn tube repeats as well as a true change. Measure a reference (saltern "
    "standardise), or log what it was: a dose, a water change, your own test"
)


def step_of(store: Store, rules: Alerts, d: Determination) -> Step | None:
    """Return the step that lies before a determination of the tank, if nothing on record explains it."""
    new, salinity = seen(d), d.salinity.value or USUAL_SALINITY
    past = [one for one in map(seen, store.reportable(Source.TANK, MOST_RESULTS)) if one is not None]
    if new is None or not past:
        return None
    logged = store.logged(past[0].at)
    witnesses = Witnesses(
        doses=_times(logged, lambda entry: isinstance(entry, Dose)),
        water_changes=_times(logged, lambda entry: isinstance(entry, WaterChange)),
        tests=tuple(
            (one.at, dkh_to_umol_kg(one.entry.value, salinity))
            for one in logged
            if isinstance(one.entry, OtherTest) and one.entry.quantity == "alkalinity_dkh"
        ),
        references=_standardised(store),
        calibrated=tuple(kept.at for kind, kept in in_force(store).items() if kind in ENDS_TITRE),
        weighed=_weighed(d),
    )
    return unexplained_step(new, past, witnesses, dkh_to_umol_kg(rules.most_dkh_per_day, salinity))


def surprising(store: Store, config: BenchConfig, d: Determination) -> Determination:
    """Make suspect a result beyond a step that nothing explains: a second one decides whether it was chance.

    A first result of all is held against what the keeper expects; the same fit gives the sample's pH.
    """
    if not _accepted(d) or step_open(store):
        return d
    far = _far_from_the_keepers_word(store, config, d)
    if not far and step_of(store, config.alerts, d) is None:
        return d
    return replace(d, alkalinity=_unexpected(d.alkalinity), ph_total=_unexpected(d.ph_total) if far else d.ph_total)


def supported(store: Store, rules: Alerts, d: Determination) -> Determination:
    """Make suspect what would be accepted first of all, unless a determination lately found the same.

    Air that leaves the titrant line before the first reading used leaves a sound curve, as an electrode does that moved
    after the sample's pH was read; only another determination speaks against their values.
    """
    accepted = d.source is Source.TANK and d.alkalinity.verdict is Verdict.ACCEPTED
    if not accepted or store.has_accepted(Source.TANK):
        return d
    before = next(iter(store.suspects(Source.TANK, 1)), None)
    days = inf if before is None else abs((d.started_at - before.started_at).total_seconds()) / SECONDS_A_DAY
    if before is None or days > SUPPORTS_FOR_DAYS or not set(before.alkalinity.reasons) <= SURPRISES:
        return replace(d, alkalinity=_first(d.alkalinity), ph_total=_first(d.ph_total))
    may_umol_kg = dkh_to_umol_kg(rules.most_dkh_per_day * days, d.salinity.value or USUAL_SALINITY)
    return replace(
        d,
        alkalinity=d.alkalinity if agree(before.alkalinity, d.alkalinity, may_umol_kg) else _first(d.alkalinity),
        ph_total=d.ph_total if agree(before.ph_total, d.ph_total, PH_A_DAY * days) else _first(d.ph_total),
    )


def _first(quantity: Quantity) -> Quantity:
    if quantity.verdict is not Verdict.ACCEPTED:
        return quantity
    return replace(quantity, verdict=Verdict.SUSPECT, reasons=(*quantity.reasons, Reason.FIRST))


def _unexpected(quantity: Quantity) -> Quantity:
    return replace(quantity, verdict=Verdict.SUSPECT, reasons=(*quantity.reasons, Reason.UNEXPECTED))


def _open_still(quantity: Quantity) -> Quantity:
    return replace(quantity, verdict=Verdict.PROVISIONAL, reasons=(*quantity.reasons, Reason.STEP_UNEXPLAINED))


def anchored(store: Store, config: BenchConfig, d: Determination) -> Determination:
    """Keep provisional what lies beyond a step that nothing explains, however often it repeats.

    The sample's pH is by the same fit: a volume that is wrong moves the fitted electrode, by 0.004 for each percent.
    """
    step = step_of(store, config.alerts, d) if _accepted(d) else None
    marked = (
        "" if step is not None or not _accepted(d) else volume_moved(d, store.reportable(Source.TANK, MOST_RESULTS))
    )
    if step is None and not marked:
        return d
    text = (
        said_of(step, d, config.alkalinity_unit, config.schedule.time_zone) if step is not None else f"{marked}. {ASKS}"
    )
    return replace(
        d,
        alkalinity=_open_still(d.alkalinity),
        ph_total=_open_still(d.ph_total) if d.ph_total.verdict in REPORTABLE else d.ph_total,
        remarks=(*d.remarks, f"{Reason.STEP_UNEXPLAINED.value}: {text}"),
        noticed={**d.noticed, Notice.STEP_UNEXPLAINED: text},
    )


def _far_from_the_keepers_word(store: Store, config: BenchConfig, d: Determination) -> bool:
    """Return whether a first result is not half, or more than twice, what the bench file expects."""
    value, expected_dkh = d.alkalinity.value, config.expected_dkh
    if value is None or expected_dkh is None or store.reportable(Source.TANK, 1):
        return False
    return (
        not 1.0 / WITHIN_A_FACTOR
        <= umol_kg_to_dkh(value, d.salinity.value or USUAL_SALINITY) / expected_dkh
        <= (WITHIN_A_FACTOR)
    )


def _accepted(d: Determination) -> bool:
    return d.source is Source.TANK and d.alkalinity.verdict in REPORTABLE


def step_open(store: Store) -> bool:
    """Return whether the newest result of the tank lies beyond a step that nothing explains."""
    newest = store.reportable(Source.TANK, 1)
    return bool(newest) and Reason.STEP_UNEXPLAINED in newest[-1].alkalinity.reasons


def said_of(step: Step, d: Determination, unit: AlkalinityUnit, zone: str) -> str:
    """Return for the keeper what the step is, and what would explain it."""
    salinity = d.salinity.value or USUAL_SALINITY
    size, allowed = umol_kg_to_dkh(step.umol_kg, salinity), umol_kg_to_dkh(abs(step.allowed_umol_kg), salinity)
    since = written_time(step.since, zone)
    moved = f"{said(size, unit, salinity, signed=True)} against the last accepted result, of {since}"
    how_far = f"{moved}; {said(allowed, unit, salinity)} is what"
    if not step.umol_kg:
        how_far = f"a step of {since} or before is still open: it was more than"
    elif abs(step.umol_kg) <= abs(step.allowed_umol_kg):
        return f"{moved}: alkalinity and electrode moved as a wrong volume moves them. {ASKS}"
    return f"{how_far} the tank may change by in the time (alerts.most_dkh_per_day). {ASKS}"


def _times(logged: list[Logged], wanted: Callable[[object], bool]) -> tuple[datetime, ...]:
    return tuple(one.at for one in logged if wanted(one.entry))


def _standardised(store: Store) -> tuple[datetime, ...]:
    kept = in_force(store).get(Kind.TITRE)
    measured = kept is not None and kept.outcome == ACCEPTED and kept.readings  # one carried over a bridge has none
    return (kept.at,) if kept is not None and measured else ()


def _weighed(d: Determination) -> float | None:
    """Return what a balance under the vessel leaves open of a result, relative, or None where it was not weighed."""
    if "weighed.titrant_ml_per_unit" not in d.calibrated or d.curve is None:
        return None
    asked_g = float(d.curve.titrant_g[-1])
    return WEIGHED_SAMPLE + TITRANT_WITHIN + TITRANT_WITHIN_G / asked_g if asked_g > 0.0 else None
