"""The guided procedures of a running service: their options, what they do to its records, and what they end."""

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, replace
from math import hypot
from typing import Any

from pydantic import TypeAdapter, ValidationError

from saltern.bench.gate import PARKED, Purpose
from saltern.config.tables import BenchConfig
from saltern.errors import ConfigError, StartupError
from saltern.model.calibration import Calibration, Cause, Kind, RefusedError, Value
from saltern.model.commands import shortened
from saltern.model.determination import Source
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
from saltern.procedures.spike import SpikeOptions, spike
from saltern.procedures.standardise import StandardiseOptions, standardise
from saltern.procedures.titre import SECONDS_A_DAY, scatter_of, state_of, values_of, values_of_scatter
from saltern.quality.titre_filter import TitreState, aged
from saltern.records import calibrations
from saltern.records.calibrations import ENDS_TITRE, NO_TITRE
from saltern.records.upkeep import install, keep_state, tube_changed_since
from saltern.rpc.protocol import problems
from saltern.running.bringing_up import BringUpOptions, go_on_from, run_step
from saltern.running.first_question import FromTheFirstQuestion
from saltern.running.workplace import Workplace


@dataclass(frozen=True)
class Guided:
    """One guided procedure."""

    options: type[Any]
    run: Callable[[Workplace, Prompts, Any], Calibration | dict[str, Any]]


def _calibrate_pump(service: Workplace, prompts: Prompts, options: PumpOptions) -> Calibration:
    """Calibrate a pump; how dense tank water is, the bench itself has measured."""
    past = service.store.reportable(Source.TANK, 1)
    if options.salinity is None and past and past[-1].salinity.value is not None:
        options = replace(options, salinity=past[-1].salinity.value)
    return calibrate_pump(service.bench, prompts, options)


def _standardise(service: Workplace, prompts: Prompts, options: StandardiseOptions) -> Calibration:
    def measure() -> Any:
        if not options.by_hand:  # a run that failed has let go of the valve
            service.bench.select("reference", other=True)
        return service.measuring.measure_reference(options)

    tank = service.store.reportable(Source.TANK, 1)
    return standardise(service.bench, prompts, options, measure, titre_state(service), tank[-1] if tank else None)


def _change_bottle(service: Workplace, prompts: Prompts, options: BottleOptions) -> Calibration:
    found = change_bottle(service.bench, prompts, options, lambda: service.measuring.measure_within(Source.OTHER))
    install(service.store, "titrant bottle", service.clock.now(), note=f"lot {options.lot}, expires {options.expires}")
    return found


def _park(service: Workplace, prompts: Prompts, options: ParkOptions) -> dict[str, Any]:
    park(service.bench, prompts, options)
    keep_state(service.store, PARKED, service.clock.now().isoformat(timespec="seconds"), service.clock.now())
    return {"parked": True}


def _resume(service: Workplace, prompts: Prompts, options: ResumeOptions) -> dict[str, Any]:
    resume(service.bench, prompts, options)
    keep_state(service.store, PARKED, None, service.clock.now())
    install(service.store, "pause", service.clock.now(), note="resumed after parking")
    return {"parked": False, "next": "measure a reference: saltern standardise"}


def _prime(service: Workplace, prompts: Prompts, options: PrimeOptions) -> dict[str, Any]:
    return {"pumped_ml": prime_and_leave_clean(service.bench, prompts, options)}


def _spike(service: Workplace, prompts: Prompts, options: SpikeOptions) -> dict[str, Any]:
    return spike(prompts, options, lambda: service.measuring.measure_within(Source.OTHER))


def _blank(service: Workplace, prompts: Prompts, options: BlankOptions) -> dict[str, Any]:
    def measure(level: float) -> Any:
        return service.measuring.measure_reference(StandardiseOptions(level, 1.0, medium="nacl"))

    return blank(prompts, options, measure)


def _check_tris(service: Workplace, prompts: Prompts, options: TrisOptions) -> Calibration:
    return check_tris(service.bench, prompts, options, service.store.reportable(Source.TANK, 5))


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
    "bring-up": Guided(BringUpOptions, run_step),
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
            f"{shortened(', '.join(sorted(unknown)))} is not an option",
            where=name,
            remedy=f"{name} has: " + ", ".join(guided.options.__dataclass_fields__),
        )
    try:
        return TypeAdapter(guided.options).validate_python(dict(table))
    except ValidationError as error:
        raise ConfigError(
            problems(error), where=name, remedy="Correct it: saltern check --rpc-schema prints what it takes"
        ) from error


def run(service: Workplace, name: str, options: Any, prompts: Prompts, who: str) -> dict[str, Any]:
    """Run a guided procedure; what it finds is kept and put in force, what it refuses is kept too.

    Raises
    ------
    SalternError
        It was refused, stopped, or could not be done. What was in force stays in force, and all outputs are off.
    """
    _demand_possible(service, name, options)
    by_hand = name != "prime" and getattr(options, "by_hand", True)
    purpose = Purpose.GUIDED if by_hand or name == "prime" else Purpose.ASKED
    service.bench.gate.demand(purpose)
    if by_hand:
        prompts = FromTheFirstQuestion(prompts, lambda: service.hands_at_the_bench(name))
    try:
        with service.bench.gate.through(purpose):
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
    go_on_from(service, prompts, who)
    bridged_u_percent = found.statistics.get("bridge_u_percent")
    if bridged_u_percent is not None and service.config.titre.u_percent is not None:
        _carry_titre_over(service, prompts, bridged_u_percent, who)
    elif found.kind in ENDS_TITRE and service.config.titre.u_percent is not None:
        _end_titre(service, f"ended: {found.kind.value} was calibrated or changed, which the factor held")
        prompts.say("The titre factor has ended with that; results are provisional until: saltern standardise")
    service.take_up_calibrations()
    return {"calibration": number, **asdict(found)}


def _demand_possible(service: Workplace, name: str, options: Any) -> None:
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
                f"no bench could run with this bottle: {causes}", where=name, remedy="Check the label"
            ) from error


def _demand_a_bench(service: Workplace, found: Calibration) -> None:
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
            remedy="Check the inputs and the readings, and begin again",
            readings=found.readings,
        ) from error


def _carry_titre_over(service: Workplace, prompts: Prompts, bridge_u_percent: float, who: str) -> None:
    """Let the titre factor go on counting on a bottle that was bridged; it knows less by as much as the bridge does."""
    titre, now = service.config.titre, service.clock.now()
    kept = calibrations.in_force(service.store).get(Kind.TITRE)
    statistics = dict(kept.statistics) if kept is not None else {}
    u_percent = hypot(titre.u_percent or 0.0, bridge_u_percent)
    values: dict[str, Value] = {"titre.factor": titre.factor, "titre.u_percent": u_percent}
    state = titre_state(service)
    if state is not None and titre.course is not None:
        state = replace(state, u=hypot(state.u, bridge_u_percent / 100.0))
        statistics["u_state"] = state.u
        values = values_of(state, now, titre.course.reference)
    scatter = scatter_of(titre)
    values |= {} if scatter is None else values_of_scatter(scatter)
    values["titre.calibrated_on"] = None if titre.calibrated_on is None else titre.calibrated_on.isoformat()
    try:
        calibrations.would_be(service.file, service.store, Kind.TITRE, values)
    except StartupError:
        _end_titre(service, f"ended: carried over a bridge, it would be uncertain by {u_percent:.1f} %")
        prompts.say("The titre factor has ended: the bridge says too little. Measure a reference: saltern standardise")
        return
    words = f"factor {values['titre.factor']:.5f} carried over to a new bottle by a bridge, u {u_percent:.3f} %"
    carried = Calibration(Kind.TITRE, values, words, statistics)
    calibrations.keep(service.store, carried, who, now, before(service.config, values))
    prompts.say(words)


def roll_back(service: Workplace, kind: str, number: int | None, who: str) -> None:
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


def _end_titre(service: Workplace, why: str) -> None:
    """Let the titre factor count no more, if there is one."""
    if service.config.titre.u_percent is not None:
        before_it = before(service.config, NO_TITRE)
        calibrations.keep_ended(service.store, Kind.TITRE, NO_TITRE, why, service.clock.now(), before_it)


def titre_state(service: Workplace) -> TitreState | None:
    """Return the titre factor as it is known now, if it was standardised here and still counts.

    After a new tube of the sample or titrant pump nothing earlier does: neither level nor rate was that tube's.
    """
    titre, now = service.config.titre, service.clock.now()
    kept = calibrations.in_force(service.store).get(Kind.TITRE)
    if (
        kept is None
        or titre.u_percent is None
        or titre.course is None
        or tube_changed_since(service.store, service.config, kept.at)
    ):
        return None
    run = tuple(kept.statistics[name] for name in sorted(kept.statistics) if name.startswith("innovation_"))
    days = (now - titre.course.at).total_seconds() / SECONDS_A_DAY
    return aged(replace(state_of(titre), run=run), days, titre.drift_percent_per_month)


def before(config: BenchConfig, values: Mapping[str, Value]) -> dict[str, Value]:
    """Return what the options are now that these values would replace."""
    found: dict[str, Value] = {}
    for name in values:
        inner: Any = config
        for part in name.split("."):
            inner = None if inner is None else getattr(inner, part)
        found[name] = inner if isinstance(inner, float | str | None) else str(inner)
    return found
