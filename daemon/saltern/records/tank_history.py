"""The tank's history for its model, from results and the keeper's log.

Days are counted where the tank is: a whole number is a midnight of `schedule.time_zone`. Alkalinity is in dKH at one
salinity, the median of the results', so that a cell that wanders does not move it.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from math import sqrt
from statistics import median
from zoneinfo import ZoneInfo

from saltern.chemistry.supplements import Salt, dkh_of, grams_for
from saltern.chemistry.units import umol_kg_to_dkh
from saltern.config.tables import BenchConfig
from saltern.config.tank import TankTable
from saltern.model.calibration import Kind
from saltern.model.determination import Determination, Source
from saltern.model.logbook import Dose as LoggedDose
from saltern.model.logbook import DoserChange, Logged, OtherTest
from saltern.model.logbook import WaterChange as LoggedChange
from saltern.procedures.arithmetic import sample_per_run_ml
from saltern.procedures.budget import SHARED_BY
from saltern.procedures.titre import factor_of, rate_of
from saltern.quality.titre_filter import DAYS_A_MONTH, RATE_PRIOR, RATE_WALK, walk_of
from saltern.records.calibrations import ACCEPTED, ENDS_TITRE, Kept
from saltern.records.calibrations import history as calibrations
from saltern.records.store import Store
from saltern.tank.history import Dose, Doser, Factor, History, Priors, Reference, Seen, WaterChange

OF_PROBES = ("conductivity", "temperature")
SHARED = frozenset(source for source, kind in SHARED_BY.items() if kind is not None and kind not in OF_PROBES)
"""Sources of a result's uncertainty that go with its factor; the others count as its own."""

VOLUMES = ("pumps.sample.ml_per_unit", "pumps.titrant.ml_per_unit", "titrant.concentration_mol_per_l")
CURVE, BOTTLE = "curve", "reference "
OF_TWO_PUMPS = sqrt(2.0)
"""A rate is supposed for one pump's tube; a factor has that of the titrant's in it and that of the sample's."""

LEAST_OWN_UMOL_KG = 1.0
JUST_BEFORE_D = 1e-4
MOST_RESULTS = 4000
USUAL_SALINITY = 35.0
EVER = datetime(2000, 1, 1, tzinfo=UTC)


@dataclass(frozen=True)
class Known:
    """A history with what is needed to read it.

    Attributes
    ----------
    history, priors
        For the models of `saltern.tank`.
    midnight
        The moment of day 0.
    salinity
        At which dKH are meant.
    results
        The determinations behind `history.seen`, in their order.
    tests
        The newest of each quantity that the keeper tested, with its time.
    not_understood
        Doses in the log whose strength is not known, in words; they are not in the history.
    """

    history: History
    priors: Priors
    midnight: datetime
    salinity: float
    results: tuple[Determination, ...]
    tests: dict[str, tuple[datetime, float]]
    not_understood: tuple[str, ...]

    def day_of(self, at: datetime) -> float:
        return _days(self.midnight, at)

    def time_of(self, day: float) -> datetime:
        """Return the wall clock's time of a day of the history, where the tank is."""
        return self.midnight + timedelta(days=day)


def known(store: Store, config: BenchConfig, tank: TankTable, until: datetime) -> Known | None:
    """Return what the records knew of the tank at a moment; None where nothing had been measured.

    Parameters
    ----------
    store
        The records; they are read, and no more.
    config, tank
        The bench file, and its table of the tank.
    until
        Nothing later counts.
    """
    reportable = store.reportable(Source.TANK, MOST_RESULTS)
    results = tuple(d for d in reportable if d.alkalinity.value is not None and d.started_at <= until)
    if not results:
        return None
    zone = ZoneInfo(config.schedule.time_zone)
    first = results[0].started_at.astimezone(zone)
    midnight = first.replace(hour=0, minute=0, second=0, microsecond=0)
    salinity = median([each.salinity.value for each in results if each.salinity.value is not None] or [USUAL_SALINITY])
    logged = [each for each in store.logged(midnight) if each.at <= until]
    doses, changes, not_understood = _of_the_log(logged, tank, midnight)
    doser, unknown_dosers = _doser(store, tank, midnight, until)
    history = History(
        tuple(_seen(each, midnight, salinity) for each in results),
        doses,
        doser,
        changes,
        _references(store, midnight, until),
        _factors(store, config, results, midnight),
    )
    priors = Priors(
        volume_u=tank.volume_u_percent / 100.0,
        doser_u=tank.dose_u_percent / 100.0,
        sample_part=sample_per_run_ml(config) / 1000.0 / tank.volume_l,
        top_up_fresh=tank.top_up_fresh,
        factor_drift_u=OF_TWO_PUMPS * RATE_PRIOR,
        factor_walk_u=walk_of(config.titre.drift_percent_per_month),
        factor_turn_u=RATE_WALK,
        common_u=_common_u(results[-1]),
    )
    return Known(history, priors, midnight, salinity, results, _tests(logged), (*not_understood, *unknown_dosers))


def _doser(store: Store, tank: TankTable, midnight: datetime, until: datetime) -> tuple[tuple[Doser, ...], list[str]]:
    """Return what dosers give a day from each change on, from bench file and log; and those of unknown strength.

    The newest word on a supplement counts; dosers of several supplements add up.
    """
    said = [(each.since, each.supplement, each.ml_per_day) for each in tank.doser]
    for each in store.logged(EVER):
        if isinstance(each.entry, DoserChange) and each.at <= until:
            said.append((each.at, each.entry.supplement, each.entry.ml_per_day))
    found, unknown, a_day = [], [], dict.fromkeys(tank.supplements, 0.0)
    for at, name, ml_per_day in sorted(said, key=lambda one: one[0]):
        supplement = tank.supplement(name)
        if supplement is None:
            unknown.append(f"doser of {name}, {ml_per_day:g} mL a day, {at:%Y-%m-%d %H:%M}")
            continue
        a_day[name] = dkh_of(supplement, ml_per_day, tank.volume_l)
        found.append(Doser(_days(midnight, at), sum(a_day.values())))
    return tuple(found), unknown


def _seen(d: Determination, midnight: datetime, salinity: float) -> Seen:
    per_umol_kg = umol_kg_to_dkh(1.0, salinity)
    own = sqrt(sum(u * u for name, u in d.budget_umol_kg.items() if name not in SHARED))
    if not d.budget_umol_kg:
        own = d.alkalinity.u or LEAST_OWN_UMOL_KG
    end_point = d.end_point
    return Seen(
        _days(midnight, d.started_at),
        (d.alkalinity.value or 0.0) * per_umol_kg,
        max(own, LEAST_OWN_UMOL_KG) * per_umol_kg,
        None if end_point is None else end_point.e0_mv,
        0.1 if end_point is None or not end_point.e0_u_mv else end_point.e0_u_mv,
    )


def _common_u(d: Determination) -> float:
    """Return what a result has in common with all others and with the reference not.

    The bottle's own error is one; of the curve's the most repeats from day to day: constants, borate, organic bases.
    """
    bottle = sum(u * u for name, u in d.alkalinity.in_parts().epochs.items() if name.startswith(BOTTLE))
    return sqrt(bottle + d.budget_umol_kg.get(CURVE, 0.0) ** 2) / (d.alkalinity.value or 1.0)


def _shared_u(d: Determination) -> float:
    shared = sqrt(sum(u * u for name, u in d.budget_umol_kg.items() if name in SHARED))
    return max(shared / (d.alkalinity.value or 1.0), 1e-4)


def _factors(
    store: Store, config: BenchConfig, results: tuple[Determination, ...], midnight: datetime
) -> tuple[Factor, ...]:
    """Return a factor for each change of what results were calibrated with, just before the first result of it.

    Once the bench has been standardised, what its file said of the factor counts no more. The filter that follows the
    factor does not count it either.
    """
    standardised = {kept.id: kept for kept in calibrations(store, Kind.TITRE) if kept.outcome == ACCEPTED}
    filed = _filed_rate(config, list(standardised.values()))
    found: list[Factor] = []
    last: Determination | None = None
    for each in results:
        if last is None or _made_with(each, filed) != _made_with(last, filed):
            moved = None if last is None else _moved(last, each, standardised)
            kept = standardised.get(each.calibrations.get("titre", 0))
            percent_per_month = filed if kept is None else rate_of(kept.values)
            course = percent_per_month / 100.0 / DAYS_A_MONTH
            u = _shared_u(each)
            if kept is None and standardised:
                u = max(u, Priors.factor_u)
            at_d = _days(midnight, each.started_at) - JUST_BEFORE_D
            if moved is not None and kept is not None:  # a result may follow at once: its reference came before
                at_d = max(at_d, _days(midnight, kept.at))
            found.append(Factor(at_d, u, moved, course))
        last = each
    return tuple(found)


def _filed_rate(config: BenchConfig, standardised: list[Kept]) -> float:
    """Return how the factor of the bench file goes on, percent a month: before the first standardisation it counts."""
    if standardised:
        return rate_of(min(standardised, key=lambda kept: kept.at).before)
    return 0.0 if config.titre.course is None else config.titre.course.rate_percent_per_month


def _made_with(d: Determination, filed_percent_per_month: float) -> tuple[object, ...]:
    """Return what a result's factor depends on: its standardisation, and what would end that one.

    A factor that follows a course moves from result to result, and is the same factor. Probes do not count.
    """
    numbers = [d.calibrations.get(kind.value) for kind in (Kind.TITRE, *sorted(ENDS_TITRE))]
    volumes = [d.calibrated.get(name) for name in VOLUMES]
    follows = Kind.TITRE.value in d.calibrations or filed_percent_per_month != 0.0
    return (*numbers, *volumes, None if follows else d.calibrated.get("titre.factor"))


def _moved(last: Determination, newer: Determination, standardised: dict[int, Kept]) -> float | None:
    """Return by how much results moved between two of them; None where a bottle, say, is new too."""
    kept = standardised.get(newer.calibrations.get("titre", 0))
    others = [[n for kind, n in each.calibrations.items() if kind in ENDS_TITRE] for each in (last, newer)]
    if kept is None or kept.at < last.started_at or others[0] != others[1]:
        return None
    old, new = factor_of(kept.before, newer.started_at), factor_of(kept.values, newer.started_at)
    return None if not old or not new else new / old - 1.0


def _references(store: Store, midnight: datetime, until: datetime) -> tuple[Reference, ...]:
    """Return each standardisation as what it says of the factor before it: what was found over what is true."""
    found: list[Reference] = []
    for kept in reversed(calibrations(store, Kind.TITRE)):
        counted = factor_of(kept.before, kept.at)
        alone, u_percent = kept.statistics.get("factor_found"), kept.statistics.get("u_found_percent")
        if midnight <= kept.at <= until and kept.outcome == ACCEPTED and counted and alone and u_percent:
            found.append(Reference(_days(midnight, kept.at), counted / alone - 1.0, u_percent / 100.0))
    return tuple(found)


def _of_the_log(
    logged: list[Logged], tank: TankTable, midnight: datetime
) -> tuple[tuple[Dose, ...], tuple[WaterChange, ...], tuple[str, ...]]:
    doses, changes, unknown = [], [], []
    for each in logged:
        at_d, entry = _days(midnight, each.at), each.entry
        if isinstance(entry, LoggedChange):
            changes.append(WaterChange(at_d, min(entry.litres / tank.volume_l, 1.0), entry.alkalinity_dkh))
        elif isinstance(entry, LoggedDose):
            supplement = tank.supplement(entry.chemical)
            if supplement is None or (entry.unit == "g" and supplement.salt is Salt.OWN):
                unknown.append(f"{entry.chemical}, {entry.amount:g} {entry.unit}, {each.at:%Y-%m-%d %H:%M}")
            elif entry.unit == "mL":
                doses.append(Dose(at_d, dkh_of(supplement, entry.amount, tank.volume_l)))
            else:
                doses.append(Dose(at_d, entry.amount / grams_for(supplement.salt, 1.0, tank.volume_l)))
    return tuple(doses), tuple(changes), tuple(unknown)


def _tests(logged: list[Logged]) -> dict[str, tuple[datetime, float]]:
    return {each.entry.quantity: (each.at, each.entry.value) for each in logged if isinstance(each.entry, OtherTest)}


def _days(midnight: datetime, at: datetime) -> float:
    """Return days of the wall clock from a midnight; whole ones are midnights before and after a change of clocks."""
    there = at.astimezone(midnight.tzinfo)
    return (there.replace(tzinfo=None) - midnight.replace(tzinfo=None)).total_seconds() / 86400.0
