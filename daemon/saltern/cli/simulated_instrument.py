"""A scenario played by the instrument's results: the service that runs is the real one, and no pump of it turns.

A determination is drawn by the twin's model of the instrument, and judged, kept, followed and reported as ever: by the
judges, the factor's filter and the records of the service. Between two slots time is let pass at once, and the bench
is not scanned meanwhile.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

from saltern.bench.bench import Bench
from saltern.chemistry.endpoint.curve import EndPoint, Estimate, Medium
from saltern.chemistry.endpoint.methods import DEFAULT
from saltern.chemistry.endpoint.ph_budget import after_tris
from saltern.chemistry.ph_at import estimate_at
from saltern.chemistry.seawater import density_kg_l
from saltern.cli.simulated_computer import Computer
from saltern.clock import VirtualClock
from saltern.config.tables import BenchConfig
from saltern.errors import ConfigError
from saltern.model.determination import Determination, PhAt, Quantity, Source
from saltern.model.ledger import Interval
from saltern.model.parts import Parts
from saltern.model.verdict import REPORTABLE, Reason, Verdict
from saltern.procedures.arithmetic import sample_per_run_ml
from saltern.procedures.budget import alkalinity_budget, alkalinity_parts, combined_u, epoch_of
from saltern.procedures.calibrated import calibrated_options, sample_salinity
from saltern.procedures.determination import Expectation, sample_at_hand_ml
from saltern.procedures.notebook import Watcher
from saltern.procedures.titre import AGE, titre_at
from saltern.quality.history import (
    alkalinity_against,
    electrode_against,
    ph_against,
    salinity_against,
    salinity_u_in_doubt,
)
from saltern.quality.judge import judge_alkalinity, judge_ph, judge_salinity
from saltern.records.store import Store
from saltern.running.schedule import next_slots
from saltern.running.service import Service

if TYPE_CHECKING:
    from saltern_drivers.twin.instrument import Found
    from saltern_drivers.twin.scenario import Play

AGAIN_S = 600.0
"""A start that was refused is tried again after so long, where a service at the wire asks each minute."""


class ResultComputer(Computer):
    """A computer whose service measures by results. It is never lost: what would take it from its bench is refused."""

    def start(self) -> None:
        """Start a service that measures by results.

        Raises
        ------
        ConfigError
            The bench is none that results are known of, or its service does not start.
        """
        super().start()
        service = self.service
        if service is None or self._waker is None:
            raise ConfigError("the bench did not start", where="simulate", remedy='Say detail = "wire" to see why')
        _demand_known(service.config)
        self._waker.stop()  # the slots are known here
        account = service.bench.account  # no drain will prove what stands in the vessel; it is left as after a run
        kept_ml = service.config.sample.keep_wet_ml + service.config.vessel.residue_ml
        account.ledger = replace(account.ledger, vessel_ml=Interval(0.0, kept_ml))
        service.measuring.carry_out = ByResults(self._play).determine
        service.store.reportable = Reportable(service.store)  # type: ignore[method-assign]
        self._slot_s = 0.0

    def run(self, until_s: float) -> None:
        """Let the service do what was posted or is due; else let time pass, at most to when something happens."""
        service, clock = self.service, self._clock
        if service is None:
            return
        if clock.monotonic() >= self._slot_s or not service.mailbox.empty():
            service.look()
            service.round()
            self._slot_s = _next_slot_s(service, clock)
        else:
            clock.sleep(max(0.0, min(until_s, self._slot_s, clock.next_call_s()) - clock.monotonic()))


def _demand_known(config: BenchConfig) -> None:
    """Refuse a bench of whose results nothing is known: estimated were samples by the pump, and one method.

    Raises
    ------
    ConfigError
        It is such a bench.
    """
    wrong = [
        *(["a draw-down"] if config.sample.draw_down is not None else []),
        *(["a balance"] if config.probes.balance is not None else []),
        *([f"the method {config.method}"] if config.method != DEFAULT else []),
    ]
    if wrong:
        raise ConfigError(
            f"a bench with {' and '.join(wrong)} is not played by results",
            where="[twin] detail",
            remedy='Say detail = "wire", or take another bench',
        )


def _next_slot_s(service: Service, clock: VirtualClock) -> float:
    """Return when a determination is due next, monotonic."""
    now = clock.now()
    last = service.store.last_started(Source.TANK)
    slots = next_slots(service.start_rules.schedule(), now, last, 1, service.config.name)
    wait_s = (slots[0].at - now).total_seconds() if slots else float("inf")
    return clock.monotonic() + max(wait_s, AGAIN_S)


class ByResults:
    """Carries out determinations at the result-level model of a scenario's instrument."""

    def __init__(self, play: Play) -> None:
        self._instrument = play.instrument()

    def determine(
        self,
        bench: Bench,
        source: Source,
        expectation: Expectation,
        watcher: Watcher,
        keep_draft: Callable[[Determination], None] = lambda draft: None,
        medium: Medium = Medium.SEAWATER,
    ) -> Determination:
        """Keep `procedures.determination.determine`, but for what moves and what is read on the way.

        Raises
        ------
        ConfigError
            What is drawn is a standard in sodium chloride, which the model does not know.
        """
        del watcher, keep_draft
        if medium is not Medium.SEAWATER:
            raise ConfigError(
                "the instrument by its results knows seawater alone",
                where="[twin] detail",
                remedy='Take a reference of seawater, or say detail = "wire"',
            )
        started_at, started_s = bench.clock.now(), bench.clock.monotonic()
        drawn_ml = sample_per_run_ml(bench.config)
        found = self._instrument.determine(bench.config.model_dump(), drawn_ml)
        _book(bench, found.titrant_ml + bench.config.titrant.tip_discard_ml, drawn_ml)
        blank = Determination(
            source=source,
            started_at=started_at,
            started_s=started_s,
            alkalinity=_void(found.why),
            ph_total=_void(found.why),
            salinity=_void(found.why),
            finished_s=found.finished_s,
            method=DEFAULT,
            ph_read_s=found.ph_read_s,
            calibrations=dict(bench.calibrations),
            calibrated=calibrated_options(bench.config, started_at),
        )
        return blank if found.why else _judged(blank, found, bench, expectation)


def _book(bench: Bench, titrant_ml: float, drawn_ml: float) -> None:
    """Take what a run used out of the bottle, and put it into the container."""
    ledger = bench.account.ledger
    bench.account.ledger = replace(
        ledger,
        titrant_left_ml=ledger.titrant_left_ml.minus(titrant_ml, titrant_ml),
        waste_ml=ledger.waste_ml.plus(drawn_ml + titrant_ml, drawn_ml + titrant_ml),
    )


class Reportable:
    """Keeps `Store.reportable`: each determination is taken out of the records once, for none of them changes."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._looked_at = 0
        self._found: dict[Source, list[Determination]] = {source: [] for source in Source}

    def __call__(self, source: Source, limit: int) -> list[Determination]:
        newest = self._store.next_id() - 1
        for number in range(self._looked_at + 1, newest + 1):
            d = self._store.determination(number)
            if d.alkalinity.verdict in REPORTABLE:
                self._found[d.source].append(d)
        self._looked_at = newest
        return self._found[source][-limit:]


def _void(why: str) -> Quantity:
    return Quantity(None, None, Verdict.VOID, (Reason(why or Reason.INTERRUPTED),))


def _judged(blank: Determination, found: Found, bench: Bench, expectation: Expectation) -> Determination:
    """Return the determination with budget, parts and verdicts, as at the end of one at the wire."""
    config, history, at = bench.config, expectation.history, blank.started_at
    salinity_found = sample_salinity(config, found.conductivity_ms_cm, found.temperature_c)
    sample_g = sample_at_hand_ml(config) * density_kg_l(salinity_found.value, found.temperature_c)
    end_point = _end_point(found, 1000.0 * found.alkalinity_umol / sample_g)
    titre = titre_at(config.titre, at)
    factor = config.titre.factor if titre is None else titre.factor
    alkalinity = end_point.alkalinity_umol_kg * factor
    budget = alkalinity_budget(
        config,
        alkalinity,
        end_point.u_umol_kg * factor,
        sample_at_hand_ml(config),
        at,
        salinity_u_in_doubt(history, salinity_found),
    )
    parts = alkalinity_parts(config, alkalinity, budget, at, bench.calibrations)
    of_the_cell = config.probes.conductivity.noise_percent / 100.0 * salinity_found.value
    salinity_parts = Parts(of_the_cell, {epoch_of("conductivity", bench.calibrations): salinity_found.u})
    salinity = Estimate(salinity_found.value, salinity_parts.u)
    tris_u = config.probes.ph.tris_u_ph
    ph_model = {"model": found.ph_model_u} if tris_u is None else after_tris(tris_u)
    ph_epoch = epoch_of("ph" if tris_u is None else "tris", bench.calibrations)
    ph_parts = Parts(found.ph_u, {ph_epoch: combined_u(ph_model)})
    ph_alone = Estimate(found.ph_total - config.probes.ph.tris_off_ph, found.ph_u)
    ph_total = Estimate(ph_alone.value, ph_parts.u)
    electrode_now = electrode_against(history, end_point, found.temperature_c)
    against = (*alkalinity_against(history, Estimate(alkalinity, parts.u_own), at), *electrode_now)
    against_ph = (*ph_against(history, ph_alone), *electrode_now)
    against_salinity = salinity_against(history, salinity)
    judged = judge_alkalinity(
        config,
        Estimate(alkalinity, combined_u(budget)),
        ph_alone,
        end_point,
        settled=found.spoilt_by != Reason.UNSETTLED,
        against=against,
        u_of_age_umol_kg=budget.get(AGE, 0.0),
    )
    remarkable = (*against, *against_ph[:1], *against_salinity)
    return replace(
        blank,
        alkalinity=replace(judged, parts=parts),
        ph_total=replace(judge_ph(ph_total, end_point, against_ph), parts=ph_parts),
        salinity=replace(judge_salinity(salinity, against_salinity), parts=salinity_parts),
        temperature_c=found.temperature_c,
        sample_g=sample_g,
        titrant_ml=found.titrant_ml,
        end_point=end_point,
        budget_umol_kg=budget,
        budget_ph={"curve": found.ph_u, **ph_model},
        ph_at_tank=_ph_at_tank(config, ph_total, alkalinity, salinity.value, found.temperature_c),
        remarks=tuple(f"{each.code}: {each.about}" for each in remarkable if each.flagged),
    )


def _end_point(found: Found, umol_kg: float) -> EndPoint:
    return EndPoint(
        DEFAULT,
        umol_kg,
        found.u_relative * umol_kg,
        found.e0_mv,
        found.slope,
        found.points,
        found.residual_mv,
        (found.spoilt_by,) if found.spoilt_by not in ("", Reason.UNSETTLED) else (),
        found.e0_u_mv,
        found.slope_u,
        found.e0_slope_covariance,
    )


def _ph_at_tank(config: BenchConfig, ph: Estimate, umol_kg: float, salinity: float, vessel_c: float) -> PhAt | None:
    tank_c = config.water.temperature_c
    if tank_c is None or not (6.0 < ph.value < 11.0 and umol_kg > 0.0):
        return None
    measured_at = Estimate(vessel_c, config.probes.temperature.u_k)
    there = estimate_at(ph, umol_kg, salinity, measured_at, tank_c, config.water.borate_ratio)
    return PhAt(there.value, there.u, tank_c)
