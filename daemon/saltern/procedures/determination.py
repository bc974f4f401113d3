"""One determination, from a clean vessel to a number and back to a clean vessel.

Read `determine` top-down: it is the lab's standard operating procedure.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import datetime
from math import hypot

import numpy as np

from saltern.bench.bench import Bench, Doubted, StopRequested
from saltern.chemistry.electrode import nernst_slope_mv
from saltern.chemistry.endpoint.curve import Conditions, Curve, EndPoint, Estimate, Finding, Priors
from saltern.chemistry.endpoint.methods import DEFAULT, method
from saltern.chemistry.endpoint.ph_budget import after_tris, ph_budget
from saltern.chemistry.endpoint.sample_ph import initial_ph_total
from saltern.chemistry.equilibria import constants
from saltern.chemistry.ph_at import estimate_at
from saltern.chemistry.quantities import Medium
from saltern.chemistry.seawater import density_kg_l
from saltern.chemistry.standards import NACL_IONIC_SALINITY, nacl_density_kg_l
from saltern.chemistry.titrant import BACKGROUND_SALINITY, titrant_density_kg_l
from saltern.chemistry.volumetric import volume_ml
from saltern.config.tables import BenchConfig, Water
from saltern.errors import CurveError, InterlockError, MotionError, ReadingError, SalternError, StorageError
from saltern.model.determination import Determination, Notice, PhAt, Quantity, Source
from saltern.model.parts import Parts
from saltern.model.verdict import REPORTABLE, Reason, Verdict
from saltern.ports import DriverError, MisuseError
from saltern.procedures.budget import (
    alkalinity_budget,
    alkalinity_parts,
    combined_u,
    epoch_of,
    of_doubted_motion,
)
from saltern.procedures.calibrated import calibrated_options, e0_from_calibration, ph_nbs, sample_salinity
from saltern.procedures.notebook import Notebook, Watcher
from saltern.procedures.rinse import plan_for
from saltern.procedures.settling import Plateau
from saltern.procedures.titrate import CeilingError, NoResponseError, NotMixedError, settled_reading, titrate
from saltern.procedures.titre import AGE, titre_at
from saltern.procedures.vessel import (
    ELECTRODE_WET_LAGS,
    NotEmptyError,
    SampleNotDrawnError,
    draw_down,
    empty,
    fill,
    keep_wet,
    prove_direction,
    rinse,
    wet_the_probes,
)
from saltern.procedures.weigh import Weighed, demand_empty, has_balance, in_vacuo_g, weigh
from saltern.quality.carbon_balance import unseen_acid
from saltern.quality.drain_witness import UsualDrains
from saltern.quality.history import (
    NO_HISTORY,
    History,
    alkalinity_against,
    electrode_against,
    ph_against,
    salinity_against,
    salinity_u_in_doubt,
    unseen_acid_against,
)
from saltern.quality.judge import judge_alkalinity, judge_ph, judge_salinity

NACL_PK1_U, USUAL_UMOL_KG = 0.03, 2400.0
TITRANT_WITHIN_G, TITRANT_WITHIN = 0.25, 0.03
"""Creep, drift and noise of a load cell do not come to so much in a titration (assumed, see the twin's)."""

NACL_IONIC_U = 1.0  # by how much a recipe's salt may be off, as salinity
STABLE_CONDUCTIVITY, STABLE_TEMPERATURE_K = 0.003, 0.1  # two readings in a row may differ by this much
MOST_TRIES = 12
MOVED_UNASKED = ("unasked", "permit-stuck", "permit-slow", "direction")
"""Trips that say that volumes were not what was asked for."""

CANNOT_ADD = ("volume-bound", "drain-failed")
"""Interlocks that only a proved drain clears, and under which nothing may be added."""


@dataclass(frozen=True)
class Expectation:
    """What earlier results let one expect of this one; None is unknown.

    The alkalinity guides the doses and never the answer. The CO2 loss and the bend, which are the vessel's and the
    electrode's and not the water's, are priors of the evaluation too.
    """

    alkalinity_umol_kg: Estimate | None = None
    co2_loss_per_min: Estimate | None = None
    history: History = NO_HISTORY
    drains: UsualDrains = field(default_factory=UsualDrains)
    bend_mv: Estimate | None = None


@dataclass(frozen=True)
class Drawn:
    """The sample as it stands in the vessel, before any acid."""

    electrode: Plateau
    temperature_c: float
    salinity: Estimate
    sample_g: float


@dataclass(frozen=True)
class Titration:
    """A curve, and all that an evaluation of it needs."""

    curve: Curve
    settled: bool
    conditions: Conditions
    priors: Priors


@dataclass
class _Run:
    """What is known so far; whatever happens, this much is kept."""

    source: Source
    started_at: datetime
    started_s: float
    medium: Medium = Medium.SEAWATER
    weighed: Weighed | None = None
    titration_g: float | None = None  # what the balance saw come in with the acid
    doubted: dict[str, Doubted] = field(default_factory=dict)  # of sample and titrant, by pump
    drawn: Drawn | None = None
    titration: Titration | None = None
    end_point: EndPoint | None = None


def determine(
    bench: Bench,
    source: Source,
    expectation: Expectation,
    watcher: Watcher,
    keep_draft: Callable[[Determination], None] = lambda draft: None,
    medium: Medium = Medium.SEAWATER,
) -> Determination:
    """Carry out one determination.

    Always returns: a run that could not be finished is void, with its reason and all that was measured, and
    the bench is left safe. Only a fault of the program is raised. `keep_draft` is given what there is so far, in case
    nobody is left to report the rest. `medium` is what was drawn: seawater, or a carbonate standard in NaCl.
    """
    notebook = Notebook(bench, watcher)
    run = _Run(source, bench.clock.now(), bench.clock.monotonic(), medium)
    notebook.save = lambda: keep_draft(_void(bench, notebook, run, Reason.INTERRUPTED))
    notebook.save()
    try:
        prepare(bench, notebook)
        bench.doubted.clear()
        run.weighed = take_sample(bench, notebook)
        run.drawn = measure_as_drawn(bench, notebook, run.weighed, medium)
        run.titration = titrate_sample(bench, notebook, run.drawn, expectation, medium)
        if run.weighed is not None:
            run.titration_g = weigh(bench, notebook) - run.weighed.empty_g - run.weighed.filled_g
        run.doubted = dict(bench.doubted)
        run.end_point = evaluate(bench, notebook, run.titration)
        electrode = fitted_electrode(run.titration, run.end_point)
    except SalternError as error:
        of_the_program = isinstance(error, MisuseError)
        reason = None if of_the_program else next((why for kind, why in _VOID.items() if isinstance(error, kind)), None)
        bench.make_safe()
        if reason is None:
            raise
        notebook.remarks.append(str(error))
        _leave_clean_if_it_can(bench, notebook)
        return _void(bench, notebook, run, reason)
    _leave_clean_if_it_can(bench, notebook)
    if _acts(bench, MOVED_UNASKED):
        return _void(bench, notebook, run, Reason.INTERLOCK)
    return _finished(bench, notebook, run, run.drawn, run.titration, run.end_point, electrode, expectation)


_VOID: dict[type[SalternError], Reason] = {
    StopRequested: Reason.STOPPED,
    InterlockError: Reason.INTERLOCK,
    NotEmptyError: Reason.NOT_EMPTY,
    SampleNotDrawnError: Reason.SAMPLE_NOT_DRAWN,
    CeilingError: Reason.TITRANT_CEILING,
    NoResponseError: Reason.NO_RESPONSE,
    NotMixedError: Reason.UNSETTLED,
    ReadingError: Reason.PROBE_FAULT,
    MotionError: Reason.MOTION_FAULT,
    CurveError: Reason.NO_END_POINT,
    StorageError: Reason.STORAGE,
    DriverError: Reason.MOTION_FAULT,  # of a pump, a permit, the stirrer: a probe's are readings that failed
}
"""What each error voids a run for; the first that fits counts, so the special come before the general."""


def prepare(bench: Bench, notebook: Notebook) -> None:
    """Bring the vessel to a known state: permits proved, the tip's stale acid and the old sample gone, rinsed."""
    plan = plan_for(bench.config)
    notebook.enter("look at the probes")
    for role in bench.devices.probes:
        bench.read(role)  # a probe that is not there ends the run before anything has moved
    if _acts(bench, CANNOT_ADD) or (bench.must_prove and bench.cell_is_wet()):
        _empty_and_wet(bench, notebook)
    if not wet_the_probes(bench, notebook):
        empty(bench, notebook)  # tries, and says that it cannot be proved
    if _acts(bench, ("drain-unproved",)):
        _empty_and_wet(bench, notebook)
    if bench.ledger.titrant_run_ml > 0.0:  # acid from a run that was stopped: it may not be mixed yet
        notebook.enter("mix what stands")
        bench.stir(bench.config.stirrer.titrate_speed)
        settled_reading(bench, notebook)
    notebook.enter("permit of titrant")
    bench.prove_permit("titrant")
    bench.prove_cut("titrant")
    discard_tip(bench, notebook)
    empty(bench, notebook)
    notebook.enter("permit of sample")
    bench.prove_permit("sample")
    bench.prove_cut("sample")
    if not bench.prove_lapse():
        empty(bench, notebook)
    rinse(bench, notebook, plan)


def _acts(bench: Bench, names: tuple[str, ...]) -> bool:
    return any(row.name in names for row in bench.guard.acting)


def _empty_and_wet(bench: Bench, notebook: Notebook) -> None:
    """Prove the vessel empty, and wet the probes again."""
    empty(bench, notebook, "empty, for the vessel's content is not known")
    fill(bench, notebook, bench.config.sample.keep_wet_ml, "fill a little")
    bench.wait(ELECTRODE_WET_LAGS * bench.config.probes.ph.lag_s)


def discard_tip(bench: Bench, notebook: Notebook) -> None:
    """Push out the acid at the idle titrant tip, which has lost strength into the standing sample."""
    discard_ml = bench.config.titrant.tip_discard_ml
    if discard_ml > 0.0:
        notebook.enter("discard tip")
        with bench.stage("discard tip", titrant_ml=discard_ml):
            bench.add("titrant", discard_ml)


def take_sample(bench: Bench, notebook: Notebook) -> Weighed | None:
    """Fill with sample; what the drain left stays, and counts as sample since it was rinsed.

    Where the vessel stands on a balance the fill is weighed; where it has a draw-down tip, that measures it.
    """
    tip = bench.config.sample.draw_down
    if tip is not None:
        draw_down(bench, notebook, tip)
        return None
    if not has_balance(bench):
        fill(bench, notebook, bench.config.sample.volume_ml)
        return None
    empty_g = weigh(bench, notebook)
    demand_empty(bench, empty_g)
    fill(bench, notebook, bench.config.sample.volume_ml)
    return Weighed(empty_g, weigh(bench, notebook) - empty_g)


def measure_as_drawn(
    bench: Bench, notebook: Notebook, weighed: Weighed | None = None, medium: Medium = Medium.SEAWATER
) -> Drawn:
    """Read pH first, before CO2 is lost, then conductivity and temperature."""
    config = bench.config
    notebook.enter("measure")
    bench.stir(config.stirrer.read_speed)
    electrode = settled_reading(bench, notebook)
    bench.compensate()
    conductivity = until_stable(bench, notebook.conductivity_ms_cm, lambda value: STABLE_CONDUCTIVITY * value)
    temperature_c = until_stable(bench, notebook.temperature_c, lambda _: STABLE_TEMPERATURE_K)
    salinity = sample_salinity(config, conductivity, temperature_c)
    density = density_kg_l(salinity.value, temperature_c)
    if medium is Medium.NACL:  # its conductivity gives no salinity; it has the ionic strength that the recipe gives it
        salinity = Estimate(NACL_IONIC_SALINITY, NACL_IONIC_U)
        density = nacl_density_kg_l(temperature_c)
    sample_ml = sample_at_hand_ml(config)
    if weighed is None:
        return Drawn(electrode, temperature_c, salinity, sample_ml * density)
    filled_g = in_vacuo_g(weighed.filled_g, salinity.value, temperature_c)
    return Drawn(electrode, temperature_c, salinity, filled_g + config.vessel.residue_ml * density)


def sample_at_hand_ml(config: BenchConfig) -> float:
    """Return what stands in the vessel after a fill, residue included: to the tip, or as the pump gives it."""
    tip = config.sample.draw_down
    return config.sample.volume_ml + config.vessel.residue_ml if tip is None else config.vessel.volume_at_ml(tip.tip_mm)


def until_stable(bench: Bench, read: Callable[[], float], tolerance: Callable[[float], float]) -> float:
    """Read until two readings in a row agree.

    Raises
    ------
    ReadingError
        They never do in `MOST_TRIES`.
    """
    before = read()
    for _ in range(MOST_TRIES):
        bench.wait(1.0)
        now = read()
        if abs(now - before) <= tolerance(now):
            return now
        before = now
    raise ReadingError(
        f"no two consecutive readings agreed in {MOST_TRIES} tries; the last is {before:.4g}",
        where=f"{bench.config.name}, measure",
        remedy="Look for a bubble at the conductivity cell, a loose plug, or a probe out of the liquid",
    )


def titrate_sample(
    bench: Bench,
    notebook: Notebook,
    drawn: Drawn,
    expectation: Expectation,
    medium: Medium = Medium.SEAWATER,
) -> Titration:
    """Titrate the sample in the vessel."""
    titrant, probe = bench.config.titrant, bench.config.probes.ph
    water = bench.config.water if medium is Medium.SEAWATER else Water(borate_ratio=0.0, borate_ratio_u=0.0)
    density = titrant_density_kg_l(titrant.concentration_mol_per_l, titrant.background, drawn.temperature_c)
    conditions = Conditions(
        sample_g=drawn.sample_g,
        salinity=drawn.salinity.value,
        titrant_mol_per_kg=titrant.concentration_mol_per_l / density,
        titrant_salinity=BACKGROUND_SALINITY[titrant.background],
        medium=medium,
        phosphate_umol_kg=Estimate(water.phosphate_umol_kg, water.phosphate_u_umol_kg),
        silicate_umol_kg=Estimate(water.silicate_umol_kg, water.silicate_u_umol_kg),
        borate_ratio=Estimate(water.borate_ratio, water.borate_ratio_u),
    )
    priors = Priors(
        e0_mv=e0_from_calibration(probe, drawn.temperature_c),
        slope=Estimate(probe.slope_percent / 100.0, probe.slope_u_percent / 100.0),
        noise_mv=probe.noise_mv,
        alkalinity_umol_kg=expectation.alkalinity_umol_kg,
        co2_loss_per_min=expectation.co2_loss_per_min,
        bend_mv=expectation.bend_mv,
    )
    curve, settled = titrate(
        bench,
        notebook,
        drawn.electrode,
        conditions,
        priors,
        titrant_density_kg_l=density,
        temperature_c=drawn.temperature_c,
    )
    return Titration(doubt_carbonic_acid(curve, conditions, priors), settled, conditions, priors)


def evaluate(bench: Bench, notebook: Notebook, titration: Titration) -> EndPoint:
    """Find the end point by the keeper's method; history may guide the doses, never the answer."""
    notebook.enter("evaluate")
    return method(bench.config.method).find(titration.curve, titration.conditions, evaluation_priors(titration.priors))


def doubt_carbonic_acid(curve: Curve, conditions: Conditions, priors: Priors) -> Curve:
    """Return the curve with readings trusted less where carbonic acid's own constant decides them.

    In sodium chloride pK1 is known to `NACL_PK1_U` only. That shifts the signal by as much of it as the carbonate
    system buffers, which is all near pH 6 and next to nothing below 3.5. In seawater it is known well enough.
    """
    if conditions.medium is not Medium.NACL or curve.emf_sd_mv is None or priors.e0_mv is None:
        return curve
    mv_per_ph = nernst_slope_mv(float(np.mean(curve.temperature_c))) * priors.slope.value
    h = 10.0 ** -((priors.e0_mv.value - curve.emf_mv) / mv_per_ph)
    k1 = float(constants(conditions.salinity, float(np.mean(curve.temperature_c)), Medium.NACL).k1)
    carbon = 1e-6 * (priors.alkalinity_umol_kg.value if priors.alkalinity_umol_kg is not None else USUAL_UMOL_KG)
    by_carbon = carbon * k1 * h / (k1 + h) ** 2
    shift_mv = NACL_PK1_U * mv_per_ph * by_carbon / (by_carbon + h)
    return replace(curve, emf_sd_mv=np.hypot(curve.emf_sd_mv, shift_mv))


def fitted_electrode(titration: Titration, end_point: EndPoint) -> EndPoint:
    """Return the evaluation whose electrode the sample's pH is read with: not every method fits one."""
    if end_point.method == DEFAULT:
        return end_point
    return method(DEFAULT).find(titration.curve, titration.conditions, evaluation_priors(titration.priors))


def evaluation_priors(priors: Priors) -> Priors:
    """Return what a result may rest on: the calibration, the CO2 loss and the bend; nothing of earlier waters."""
    return Priors(
        priors.e0_mv, priors.slope, priors.noise_mv, co2_loss_per_min=priors.co2_loss_per_min, bend_mv=priors.bend_mv
    )


def leave_clean(bench: Bench, notebook: Notebook) -> None:
    """Empty, and leave the probes wet in fresh sample."""
    bench.stir(0.0)
    empty(bench, notebook, "empty after titration")
    prove_direction(bench)  # a dead wire since the last proof gave more than was counted
    bench.prove_permit("sample")  # so did a pump that began to turn by itself
    keep_wet(bench, notebook)


def _leave_clean_if_it_can(bench: Bench, notebook: Notebook) -> None:
    """Acid must not stand in the vessel, nor probes fall dry, for want of a result; but a trip comes first."""
    try:
        leave_clean(bench, notebook)
    except SalternError as error:
        bench.make_safe()
        notebook.notice(Notice.NOT_LEFT_CLEAN, f"not left clean: {error}")


def _finished(
    bench: Bench,
    notebook: Notebook,
    run: _Run,
    drawn: Drawn,
    titration: Titration,
    end_point: EndPoint,
    electrode: EndPoint,
    expectation: Expectation,
) -> Determination:
    config, history = bench.config, expectation.history
    titre = titre_at(config.titre, run.started_at)
    factor = config.titre.factor if titre is None else titre.factor
    alkalinity = end_point.alkalinity_umol_kg * factor
    proof_failed = bench.noticed.sample_missing  # with no sample to turn by itself, the last proof proved nothing
    sample_ml = sample_at_hand_ml(config)
    budget = alkalinity_budget(
        config,
        alkalinity,
        end_point.u_umol_kg * factor,
        sample_ml,
        run.started_at,
        salinity_u_in_doubt(history, drawn.salinity),
    )
    doubted_ml = {role: doubted.most_ml for role, doubted in run.doubted.items()}
    of_doubt = of_doubted_motion(config, alkalinity, sample_ml, notebook.titrant_ml, doubted_ml)
    budget |= of_doubt
    notebook.remarks += [
        f"up to {doubted.most_ml:.2g} mL of {role} may be missing: {doubted.why}"
        for role, doubted in run.doubted.items()
    ]
    ph_fitted = initial_ph_total(titration.curve, electrode, titration.conditions)
    ph_total = Estimate(ph_fitted.value - config.probes.ph.tris_off_ph, ph_fitted.u)
    found = Estimate(alkalinity, combined_u(budget))
    parts = alkalinity_parts(config, alkalinity, budget, run.started_at, bench.calibrations)
    cell = epoch_of("conductivity", bench.calibrations)
    salinity_parts = Parts(
        config.probes.conductivity.noise_percent / 100.0 * drawn.salinity.value, {cell: drawn.salinity.u}
    )
    salinity = Estimate(drawn.salinity.value, salinity_parts.u)
    electrode_now = electrode_against(history, electrode, drawn.temperature_c)
    against = (*alkalinity_against(history, Estimate(alkalinity, parts.u_own), run.started_at), *electrode_now)
    model = _ph_model(config, titration, electrode)
    acid, all_in = (
        unseen_acid(electrode, titration.conditions, Estimate(ph_fitted.value, u), drawn.temperature_c)
        for u in (ph_fitted.u, hypot(ph_fitted.u, combined_u(model), config.probes.ph.tris_off_ph))
    )
    against = (*against, *_titrant_weighed(notebook, run, titration, drawn))
    unseen = unseen_acid_against(history, acid, 0.0 if all_in is None else all_in.u)
    against = (*against, *unseen)
    against = (*against, *expectation.drains.against(notebook.drains, run.started_s))
    of_ph = ph_against(history, ph_total)
    against_ph = (*of_ph, *electrode_now, *unseen)
    against_salinity = salinity_against(history, salinity)
    remarkable = (*end_point.findings, *against, *of_ph, *against_salinity)
    notebook.remarks += [f"{f.code}: {f.about}" for f in remarkable if f.flagged]
    judged = judge_alkalinity(
        config,
        found,
        ph_total,
        end_point,
        titration.settled,
        against,
        proof_failed,
        u_of_age_umol_kg=budget.get(AGE, 0.0),
        u_of_doubt_umol_kg=combined_u(of_doubt),
    )
    if judged.verdict in REPORTABLE:
        expectation.drains.learn(notebook.drains, bench.clock.monotonic())
    epoch = epoch_of("ph" if config.probes.ph.tris_u_ph is None else "tris", bench.calibrations)
    ph_parts = Parts(ph_total.u, {epoch: combined_u(model)})
    ph_now = Estimate(ph_total.value, ph_parts.u)
    return _record(
        bench,
        notebook,
        run,
        alkalinity=replace(judged, parts=parts),
        ph_total=replace(judge_ph(ph_now, electrode, against_ph), parts=ph_parts),
        salinity=replace(judge_salinity(salinity, against_salinity), parts=salinity_parts),
        budget_umol_kg=budget,
        budget_ph={"curve": ph_total.u, **model},
        ph_at_tank=_ph_at_tank(config, ph_now, alkalinity, drawn),
    )


def _ph_model(config: BenchConfig, titration: Titration, electrode: EndPoint) -> dict[str, float]:
    """Return what the sample's pH is uncertain by beside the scatter of its curve, by source."""
    if config.probes.ph.tris_u_ph is not None:
        return after_tris(config.probes.ph.tris_u_ph)
    return ph_budget(
        titration.curve,
        electrode,
        titration.conditions,
        evaluation_priors(titration.priors),
        temperature_u_k=config.probes.temperature.u_k,
        one_speed=config.stirrer.read_speed == config.stirrer.titrate_speed,
    )


def _ph_at_tank(config: BenchConfig, ph_total: Estimate, alkalinity_umol_kg: float, drawn: Drawn) -> PhAt | None:
    """Return the pH that the sample has in the tank: warmed or cooled to it, nothing lost on the way."""
    tank_c = config.water.temperature_c
    if tank_c is None or not (6.0 < ph_total.value < 11.0 and alkalinity_umol_kg > 0.0):
        return None
    vessel_c = Estimate(drawn.temperature_c, config.probes.temperature.u_k)
    found = estimate_at(ph_total, alkalinity_umol_kg, drawn.salinity.value, vessel_c, tank_c, config.water.borate_ratio)
    return PhAt(found.value, found.u, tank_c)


def _void(bench: Bench, notebook: Notebook, run: _Run, reason: Reason) -> Determination:
    void = Quantity(None, None, Verdict.VOID, (reason,))
    salinity = judge_salinity(run.drawn.salinity) if run.drawn else void
    return _record(bench, notebook, run, alkalinity=void, ph_total=void, salinity=salinity, budget_umol_kg={})


def _titrant_weighed(notebook: Notebook, run: _Run, titration: Titration, drawn: Drawn) -> tuple[Finding, ...]:
    """Compare the acid that was asked for with what came in by weight, where there is a balance."""
    if run.titration_g is None:
        return ()
    asked_g = float(titration.curve.titrant_g[-1])
    came_g = in_vacuo_g(run.titration_g, drawn.salinity.value, drawn.temperature_c)
    statistic = abs(came_g - asked_g) / (TITRANT_WITHIN_G + TITRANT_WITHIN * asked_g)
    about = f"{asked_g:.2f} g of titrant were asked for, {came_g:.2f} g came by weight"
    return (Finding("titrant-weighed-differs", statistic, 1.0, about),)


def _weighed_gains(bench: Bench, notebook: Notebook, run: _Run) -> dict[str, float | None]:
    """Return what the balance says of the pumps in this run, mL a unit.

    A fill is a calibration. What came in with the acid is small, and the load cell's creep under the sample counts in
    it by a percent or so: that shows an empty bottle or a slipping tube, and not a gain.
    """
    if run.weighed is None or run.drawn is None:
        return {}
    config, t, salinity = bench.config, run.drawn.temperature_c, run.drawn.salinity.value
    drawn_ml = in_vacuo_g(run.weighed.filled_g, salinity, t) / density_kg_l(salinity, t)
    gains: dict[str, float | None] = {
        "weighed.sample_ml_per_unit": config.pumps.sample.ml_per_unit * drawn_ml / config.sample.volume_ml
    }
    if run.titration_g is not None and notebook.titrant_ml > 0.0:
        density = titrant_density_kg_l(config.titrant.concentration_mol_per_l, config.titrant.background, t)
        given_ml = volume_ml(run.titration_g, density, t)
        gains["weighed.titrant_ml_per_unit"] = config.pumps.titrant.ml_per_unit * given_ml / notebook.titrant_ml
    return gains


def _record(
    bench: Bench,
    notebook: Notebook,
    run: _Run,
    *,
    alkalinity: Quantity,
    ph_total: Quantity,
    salinity: Quantity,
    budget_umol_kg: dict[str, float],
    budget_ph: dict[str, float] | None = None,
    ph_at_tank: PhAt | None = None,
) -> Determination:
    drawn, titration = run.drawn, run.titration
    return Determination(
        source=run.source,
        started_at=run.started_at,
        started_s=run.started_s,
        finished_s=bench.clock.monotonic(),
        method=bench.config.method,
        alkalinity=alkalinity,
        ph_total=ph_total,
        salinity=salinity,
        ph_nbs=ph_nbs(bench.config.probes.ph, drawn.electrode.emf_mv, drawn.temperature_c) if drawn else None,
        temperature_c=drawn.temperature_c if drawn else None,
        sample_g=drawn.sample_g if drawn else None,
        titrant_ml=notebook.titrant_ml,
        ph_read_s=drawn.electrode.at_s if drawn else None,
        curve=notebook.curve,
        conditions=titration.conditions if titration else None,
        priors=titration.priors if titration else None,
        end_point=run.end_point,
        budget_umol_kg=budget_umol_kg,
        budget_ph=budget_ph or {},
        ph_at_tank=ph_at_tank,
        calibrations=dict(bench.calibrations),
        calibrated={**calibrated_options(bench.config, run.started_at), **_weighed_gains(bench, notebook, run)},
        readings=tuple(notebook.readings),
        remarks=tuple(notebook.remarks),
        noticed=dict(notebook.noticed),
    )
