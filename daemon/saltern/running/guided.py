"""The guided procedures of a running service: their options, what they do to its records, and what they end."""

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, replace
from datetime import date
from math import hypot
from typing import Any

from pydantic import TypeAdapter, ValidationError

from saltern.bench.bench import StopRequested
from saltern.config.tables import BenchConfig
from saltern.errors import ConfigError, SalternError, StartupError
from saltern.model.calibration import Calibration, Cause, Kind, RefusedError, Value
from saltern.model.commands import shortened
from saltern.model.determination import Source
from saltern.procedures.arithmetic import sample_per_run_ml
from saltern.procedures.blank import BlankOptions, blank
from saltern.procedures.bottle import BottleOptions, change_bottle, strength
from saltern.procedures.calibrate_conductivity import ConductivityOptions, calibrate_conductivity
from saltern.procedures.calibrate_ph import PhOptions, calibrate_ph
from saltern.procedures.calibrate_pump import PumpOptions, calibrate_pump
from saltern.procedures.calibrate_temperature import TemperatureOptions, calibrate_temperature
from saltern.procedures.check_tris import TrisOptions, check_tris
from saltern.procedures.park import ParkOptions, ResumeOptions, park, resume
from saltern.procedures.prime import PrimeOptions, prime_and_leave_clean
from saltern.procedures.prompts import Prompts
from saltern.procedures.reference import Unattended
from saltern.procedures.reference import options_of as options_of_reference
from saltern.procedures.spike import SpikeOptions, spike
from saltern.procedures.standardise import StandardiseOptions, standardise, state_in_force
from saltern.quality.titre_filter import TitreState
from saltern.records import calibrations
from saltern.records.calibrations import ENDS_TITRE, NO_TITRE
from saltern.records.upkeep import install, keep_state
from saltern.rpc.protocol import problems
from saltern.running.service import Service


@dataclass(frozen=True)
class Guided:
    """One guided procedure."""

    options: type[Any]
    run: Callable[[Service, Prompts, Any], Calibration | dict[str, Any]]


def _calibrate_pump(service: Service, prompts: Prompts, options: PumpOptions) -> Calibration:
    """Calibrate a pump; how dense tank water is, the bench itself has measured."""
    past = service.store.believed(Source.TANK, 1)
    if options.salinity is None and past and past[-1].salinity.value is not None:
        options = replace(options, salinity=past[-1].salinity.value)
    return calibrate_pump(service.bench, prompts, options)


def _standardise(service: Service, prompts: Prompts, options: StandardiseOptions) -> Calibration:
    def measure() -> Any:
        if not options.by_hand:  # a run that failed has let go of the valve
            service.bench.select("reference", other=True)
        return service.measure_reference(options)

    return standardise(service.bench, prompts, options, measure, titre_state(service))


def _change_bottle(service: Service, prompts: Prompts, options: BottleOptions) -> Calibration:
    old = [d for _, d in service.store.results(20) if d.source is Source.TANK and d.alkalinity.u is not None][:2]
    found = change_bottle(service.bench, prompts, options, old, lambda: service.measure_again())
    install(service.store, "titrant bottle", service.clock.now(), note=f"lot {options.lot}, expires {options.expires}")
    return found


def _park(service: Service, prompts: Prompts, options: ParkOptions) -> dict[str, Any]:
    park(service.bench, prompts, options)
    keep_state(service.store, "parked", service.clock.now().isoformat(timespec="seconds"), service.clock.now())
    return {"parked": True}


def _resume(service: Service, prompts: Prompts, options: ResumeOptions) -> dict[str, Any]:
    resume(service.bench, prompts, options)
    keep_state(service.store, "parked", None, service.clock.now())
    install(service.store, "pause", service.clock.now(), note="resumed after parking")
    return {"parked": False, "next": "measure a reference: saltern standardise"}


def _prime(service: Service, prompts: Prompts, options: PrimeOptions) -> dict[str, Any]:
    return {"pumped_ml": prime_and_leave_clean(service.bench, prompts, options)}


def _spike(service: Service, prompts: Prompts, options: SpikeOptions) -> dict[str, Any]:
    return spike(prompts, options, lambda: service.measure_other())


def _blank(service: Service, prompts: Prompts, options: BlankOptions) -> dict[str, Any]:
    def measure(level: float) -> Any:
        return service.measure_reference(StandardiseOptions(level, 1.0, medium="nacl"))

    return blank(prompts, options, measure)


def _check_tris(service: Service, prompts: Prompts, options: TrisOptions) -> dict[str, Any]:
    return check_tris(service.bench, prompts, options, service.store.believed(Source.TANK, 5))


PROCEDURES: dict[str, Guided] = {
    "calibrate-pump": Guided(PumpOptions, _calibrate_pump),
    "calibrate-ph": Guided(PhOptions, lambda service, prompts, o: calibrate_ph(service.bench, prompts, o)),
    "calibrate-conductivity": Guided(
        ConductivityOptions, lambda service, prompts, o: calibrate_conductivity(service.bench, prompts, o)
    ),
    "calibrate-temperature": Guided(
        TemperatureOptions, lambda service, prompts, o: calibrate_temperature(service.bench, prompts, o)
    ),
    "standardise": Guided(StandardiseOptions, _standardise),
    "change-bottle": Guided(BottleOptions, _change_bottle),
    "prime": Guided(PrimeOptions, _prime),
    "spike": Guided(SpikeOptions, _spike),
    "blank": Guided(BlankOptions, _blank),
    "check-tris": Guided(TrisOptions, _check_tris),
    "park": Guided(ParkOptions, _park),
    "resume": Guided(ResumeOptions, _resume),
}


def schemas() -> dict[str, dict[str, Any]]:
    """Return the JSON schema of the options of each procedure."""
    return {name: TypeAdapter(guided.options).json_schema() for name, guided in PROCEDURES.items()}


def options_of(name: str, table: Mapping[str, Any]) -> Any:
    """Return the options of a procedure, checked.

    Raises
    ------
    ConfigError
        There is no such procedure, or an option is wrong.
    """
    guided = PROCEDURES.get(name)
    if guided is None:
        raise ConfigError(
            f"there is no procedure {shortened(name)!r}", where="guide", remedy=f"These are: {', '.join(PROCEDURES)}"
        )
    unknown = set(table) - set(guided.options.__dataclass_fields__)
    if unknown:
        raise ConfigError(
            f"{shortened(', '.join(sorted(unknown)))} is no option",
            where=name,
            remedy=f"{name} has: " + ", ".join(guided.options.__dataclass_fields__),
        )
    try:
        return TypeAdapter(guided.options).validate_python(dict(table))
    except ValidationError as error:
        raise ConfigError(
            problems(error), where=name, remedy="Correct it; what it takes, this prints: saltern check --rpc-schema"
        ) from error


def run(service: Service, name: str, options: Any, prompts: Prompts, who: str) -> dict[str, Any]:
    """Run a guided procedure; what it finds is kept and put in force, what it refuses is kept too.

    Raises
    ------
    SalternError
        It was refused, stopped, or could not be done. What was in force stays in force, and all outputs are off.
    """
    _demand_possible(service, name, options)
    by_hand = name != "prime" and getattr(options, "by_hand", True)
    if by_hand:
        service.hands_at_the_bench(name)
    try:
        found = PROCEDURES[name].run(service, prompts, options)
        if by_hand:
            service.hands_at_the_bench(None)
        if isinstance(found, Calibration):
            _demand_a_bench(service, found)
    except RefusedError as refused:
        calibrations.keep_refused(service.store, refused, who, service.clock.now())
        raise
    finally:
        service.bench.make_safe()
    if not isinstance(found, Calibration):
        return found
    now = service.clock.now()
    number = calibrations.keep(service.store, found, who, now, before(service.config, found.values))
    bridged_u_percent = found.statistics.get("bridge_u_percent")
    if bridged_u_percent is not None and service.config.titre.u_percent is not None:
        _carry_titre_over(service, prompts, bridged_u_percent, who)
    elif found.kind in ENDS_TITRE and service.config.titre.u_percent is not None:
        _end_titre(service, f"ended: {found.kind.value} was calibrated or changed, which the factor held")
        prompts.say("The titre factor has ended with that; results are provisional until: saltern standardise")
    service.take_up_calibrations()
    return {"calibration": number, **asdict(found)}


def _demand_possible(service: Service, name: str, options: Any) -> None:
    """Refuse, before anything moves, what this bench cannot do, or could not run with afterwards.

    Raises
    ------
    ConfigError
        With what is wrong.
    """
    if isinstance(options, StandardiseOptions) and not options.by_hand and service.config.reference is None:
        raise ConfigError(
            "this bench has no reference at an inlet of its own",
            where=name,
            remedy="Leave by_hand out, or set [reference] in the bench file",
        )
    if isinstance(options, BottleOptions):
        values = strength(options, service.config.titrant)
        try:
            calibrations.would_be(service.file, service.store, Kind.TITRANT, values)
        except StartupError as error:
            causes = "; ".join(cause.what for cause in error.causes)
            raise ConfigError(
                f"no bench could run with this bottle: {causes}", where=name, remedy="Look at the label"
            ) from error


def _demand_a_bench(service: Service, found: Calibration) -> None:
    """Refuse an outcome with which no bench could run: kept, it would keep the service from its next start.

    Raises
    ------
    RefusedError
        With its readings, which are kept.
    """
    try:
        calibrations.would_be(service.file, service.store, found.kind, found.values)
    except StartupError as error:
        raise RefusedError(
            Cause.NO_BENCH,
            "no bench could run with this outcome: "
            + "; ".join(f"{cause.where}: {cause.what}" for cause in error.causes),
            kind=found.kind,
            remedy="Look at what was given and read, and begin again",
            readings=found.readings,
        ) from error


def _carry_titre_over(service: Service, prompts: Prompts, bridge_u_percent: float, who: str) -> None:
    """Let the titre factor go on counting on a bottle that was bridged; it knows less by as much as the bridge does."""
    titre, now = service.config.titre, service.clock.now()
    kept = calibrations.in_force(service.store).get(Kind.TITRE)
    statistics = dict(kept.statistics) if kept is not None else {}
    if "u_state" in statistics:
        statistics["u_state"] = hypot(statistics["u_state"], bridge_u_percent / 100.0)
    u_percent = hypot(titre.u_percent or 0.0, bridge_u_percent)
    values: dict[str, Value] = {
        "titre.factor": titre.factor,
        "titre.u_percent": u_percent,
        "titre.calibrated_on": None if titre.calibrated_on is None else titre.calibrated_on.isoformat(),
    }
    try:
        calibrations.would_be(service.file, service.store, Kind.TITRE, values)
    except StartupError:
        _end_titre(service, f"ended: carried over a bridge, it would be uncertain by {u_percent:.1f} %")
        prompts.say("The titre factor has ended: the bridge says too little. Measure a reference: saltern standardise")
        return
    words = f"factor {titre.factor:.5f} carried over to a new bottle by a bridge, u {u_percent:.3f} %"
    carried = Calibration(Kind.TITRE, values, words, statistics)
    calibrations.keep(service.store, carried, who, now, before(service.config, values))
    prompts.say(words)


def measure_reference_unattended(service: Service) -> None:
    """Standardise with the reference at its own inlet; nobody is asked for anything."""
    reference = service.config.reference
    if reference is None:
        return
    options = options_of_reference(reference)
    service.claim("standardise")
    try:
        run(service, "standardise", options, Unattended(), "service")
    except StopRequested:
        raise
    except SalternError as error:
        service.refused_unattended(error)
    else:
        service.alerting.clear("reference-refused")
    finally:
        service.bench.select("reference", other=False)
        service.reference_used(sample_per_run_ml(service.config) * reference.times)
        service.release()


def roll_back(service: Service, kind: str, number: int | None, who: str) -> None:
    """Put an earlier calibration in force again, or the bench file's own values.

    A titre factor holds the errors of pumps and titrant: rolled back, they end it, as a new calibration does. One that
    was found with the earlier values may be rolled back to after them.

    Raises
    ------
    ConfigError
        There is no such kind or number, or no bench could run with it any more.
    """
    what, now = calibrations.kind_of(kind), service.clock.now()
    values = _pumps_and_titrant(service.config)
    if number is not None:
        try:
            calibrations.would_be(service.file, service.store, what, calibrations.one(service.store, number).values)
        except StartupError as error:
            causes = "; ".join(cause.what for cause in error.causes)
            raise ConfigError(
                f"no bench could run with calibration {number}: {causes}",
                where=f"roll back {what.value}",
                remedy="Name another one, or bench-file: saltern calibrations list",
            ) from error
    calibrations.roll_back(service.store, what, number, who, now)
    service.take_up_calibrations()
    if what in ENDS_TITRE and _pumps_and_titrant(service.config) != values:
        _end_titre(service, f"ended: {what.value} was rolled back, which the factor held")
        service.take_up_calibrations()


def _pumps_and_titrant(config: BenchConfig) -> tuple[float, float, float]:
    """Return what a titre factor holds the errors of."""
    pumps = config.pumps
    return pumps.sample.ml_per_unit, pumps.titrant.ml_per_unit, config.titrant.concentration_mol_per_l


def _end_titre(service: Service, why: str) -> None:
    """Let the titre factor count no more, if there is one."""
    if service.config.titre.u_percent is not None:
        before_it = before(service.config, NO_TITRE)
        calibrations.keep_ended(service.store, Kind.TITRE, NO_TITRE, why, service.clock.now(), before_it)


def titre_state(service: Service) -> TitreState | None:
    """Return the titre factor as it is believed today, if it was standardised here and still counts."""
    kept = calibrations.in_force(service.store).get(Kind.TITRE)
    factor, on = service.config.titre.factor, service.config.titre.calibrated_on
    if kept is None or "u_state" not in kept.statistics or service.config.titre.u_percent is None or on is None:
        return None
    today: date = service.clock.now().date()
    return state_in_force(factor, kept.statistics, on, today, service.config.titre.drift_percent_per_month)


def before(config: BenchConfig, values: Mapping[str, Value]) -> dict[str, Value]:
    """Return what the options are now that these values would replace."""
    found: dict[str, Value] = {}
    for name in values:
        inner: Any = config
        for part in name.split("."):
            inner = getattr(inner, part)
        found[name] = inner if isinstance(inner, float | str | None) else str(inner)
    return found
