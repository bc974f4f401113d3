"""A scenario, played: the whole service against the twin in virtual time, and what became of it."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from saltern.bench.proof import trials
from saltern.cli.guide import asked_of, is_guided
from saltern.cli.hands import PracticeKeeper, run_guided
from saltern.cli.simulated_card import unknown_record
from saltern.cli.simulated_computer import Computer, post
from saltern.cli.simulated_instrument import ResultComputer
from saltern.cli.simulated_reef import ReefKeeper, begins_at, tank_table
from saltern.cli.twin import of_the_twin
from saltern.clock import VirtualClock
from saltern.config.loading import config_mistakes, load_bench, read_toml, shipped_config
from saltern.config.tables import BenchConfig
from saltern.errors import ConfigError, SalternError, StartupError
from saltern.model.calibration import RefusedError
from saltern.model.commands import command_of
from saltern.model.determination import Determination, Quantity
from saltern.procedures.notebook import Step
from saltern.records.store import IN_MEMORY
from saltern.running.guided import options_of
from saltern.running.service import Service

if TYPE_CHECKING:
    from saltern_drivers.twin.hands import Hands
    from saltern_drivers.twin.scenario import OperatorTable, Play, Scenario

DEFAULT_BENCHES = {"good": "bench-simulated.toml", "hobby": "bench-simulated-hobby.toml"}
WARM_UP_S = 0.2  # opening takes so long in virtual time
ATTENDED_EVERY_S = 600.0


def load_scenario(path: Path) -> Scenario:
    """Read a scenario file.

    Raises
    ------
    ConfigError
        It cannot be read or is not TOML.
    StartupError
        It says something wrong; every mistake is listed.
    """
    table = read_toml(path)
    try:
        scenario: Scenario = of_the_twin("scenario").model_validate(table)
    except ValidationError as error:
        raise StartupError(str(path), config_mistakes(error, str(path))) from error
    wrong: list[SalternError] = []
    for act in scenario.acts:
        try:
            if is_guided(act.command):
                asked = asked_of(act.command)
                options_of(asked.procedure, asked.options)
            else:
                command_of(act.command)
        except ConfigError as error:
            wrong.append(error)
    wrong += [error for fault in scenario.fault for error in unknown_record(fault.kind, fault.table, fault.column)]
    if wrong:
        raise StartupError(str(path), wrong)
    return scenario


def run(
    scenario: Scenario,
    folder: Path,
    watcher: Callable[[Step], None] = lambda step: None,
    kept: list[Determination] | None = None,
) -> dict[str, Any]:
    """Play a scenario to its end.

    Parameters
    ----------
    scenario
        What happens.
    folder
        Paths in the scenario are relative to it.
    watcher
        Sees every phase and every point of a curve.
    kept
        If given, filled with the determinations themselves.

    Returns
    -------
    dict
        What `saltern simulate --json` prints.
    """
    begun = time.perf_counter()
    config = bench_of(scenario, folder)
    with records_for(scenario) as records:
        stage = Stage(scenario, config, records, watcher)
        end_s = scenario.days * 86400.0 + WARM_UP_S
        stage.play_until(end_s)
        found = stage.log.finish(end_s) | {"tank": stage.reef.as_json()}
        stage.close()
    if stage.procedures:
        found["procedures"] = stage.procedures
    if kept is not None:
        kept += stage.log.outcomes
    return {**found, "wall_s": round(time.perf_counter() - begun, 3)}


@contextmanager
def records_for(scenario: Scenario) -> Iterator[str]:
    """Yield where records are kept: in memory, unless the computer is to fail, whose disk they then must outlive."""
    if not any(fault.kind in of_the_twin("computer-faults") for fault in scenario.fault):
        yield IN_MEMORY
        return
    with tempfile.TemporaryDirectory(prefix="saltern-simulate-") as folder:
        yield str(Path(folder) / "saltern.sqlite")


class Stage:
    """A world, the computer beside it, and the scenario's times: the service is started, lost and started again."""

    def __init__(
        self,
        scenario: Scenario,
        config: BenchConfig,
        records: str,
        watcher: Callable[[Step], None] = lambda step: None,
        *,
        outputs_persist: bool = True,
    ) -> None:
        self.scenario = scenario
        self.clock = VirtualClock(begins_at(config))
        self.play: Play = of_the_twin("play")(scenario, config.model_dump(), self.clock)
        self.log = Log(self.play, watcher)
        by_results = scenario.twin.detail == "result"
        self._attended_every_s = float("inf") if by_results else ATTENDED_EVERY_S
        computer = ResultComputer if by_results else Computer
        self.computer = computer(config, self.play, self.clock, records, self.log, outputs_persist=outputs_persist)
        self.play.computer = self.computer.befall
        if not by_results:
            self.play.ledger_upper_ml = self.computer.ledger_upper_ml
        self.computer.start()
        self.reef = ReefKeeper(
            scenario,
            config,
            self.play,
            self.clock,
            serving=lambda: self.computer.service,
            standardise=lambda: self._act(scenario.reference_at(self.clock.monotonic() / 3600.0)),
        )
        self.procedures: list[dict[str, Any]] = []
        for act in scenario.acts:
            self.clock.call_later(act.at_h * 3600.0, partial(self._act, act))

    def play_until(self, end_s: float) -> None:
        """Let the scenario run."""
        while self.clock.monotonic() < end_s - 1e-6:
            self.computer.run(min(end_s, self.clock.monotonic() + self._attended_every_s))
            service = self.computer.service
            if self.scenario.keeper.attentive and service is not None:
                _attend(self.play, service)
            self.log.collect()
            self.reef.look()

    def _act(self, act: OperatorTable) -> None:
        """Let the operator say what it is time for; a computer that is down hears nothing."""
        if not is_guided(act.command):
            if act.command == ["hold", "0"]:  # what is said after a procedure that broke off: all is back
                self._hands("practice").put_back()
            self.computer.post(act.command)
        elif self.computer.service is not None:
            self.computer.service.mailbox.put(partial(self._guide, self.computer.service, act))

    def _guide(self, service: Service, act: OperatorTable) -> None:
        """Run a guided procedure with simulated hands, as the service runs one that is asked for over its socket."""
        asked = asked_of(act.command)
        entry: dict[str, Any] = {"at_h": round(self.clock.monotonic() / 3600.0, 4), "procedure": asked.procedure}
        self.procedures.append(entry)
        answers = {key: [str(value) for value in values] for key, values in act.answers.items()}
        keeper = PracticeKeeper(lambda: service, self._hands(act.hands), {**asked.answers, **answers})
        try:
            entry |= run_guided(service, asked, keeper)
        except RefusedError as error:
            entry |= {"outcome": "refused", "cause": error.cause.value, "what": error.what}
            raise
        except SalternError as error:
            entry |= {"outcome": "failed", "cause": None, "what": error.what}
            raise
        finally:
            entry["asked"] = keeper.asked

    def _hands(self, name: str) -> Hands:
        """Return hands at this world that do what is right, or a mistake."""
        found: Hands = of_the_twin("hands")(
            self.play.world,
            lambda: self.play.wires.pins.refresh_inputs(),
            seed=self.scenario.seed,
            mistakes=of_the_twin("mistakes")[name],
        )
        return found

    def close(self) -> None:
        self.computer.close()


class Log:
    """Puts truth beside what the service found."""

    def __init__(self, play: Play, watcher: Callable[[Step], None]) -> None:
        self._play = play
        self._watcher = watcher
        self._kept = 0
        self._running = 0
        self.service: Service | None = None
        self.services: list[Service] = []
        self.determinations: list[dict[str, Any]] = []
        self.trips: list[dict[str, Any]] = []
        self.outcomes: list[Determination] = []

    def begin(self, service: Service) -> None:
        """Take up a service that has started, the first or another."""
        self.service = service
        self.services.append(service)

    def step(self, step: Step) -> None:
        if step.titrant_ml is None:
            self._play.enter_phase(step.phase, self._number())
        self._watcher(step)

    def _number(self) -> int:
        return self.service.store.next_id() if self.service else 1

    def collect(self) -> None:
        """Take up determinations that have been kept since the last time, with their truth."""
        if self.service is None:
            return
        for number in range(self._kept + 1, self.service.store.next_id()):
            d = self.service.store.determination(number)
            self._kept = number
            self.outcomes.append(d)
            self.determinations.append(self._entry(number, d))

    def _entry(self, number: int, d: Determination) -> dict[str, Any]:
        ph_true, salinity_true = self._play.as_read(d.ph_read_s)
        a = d.alkalinity
        return {
            "id": number,
            "source": d.source.value,
            "started_h": round(d.started_s / 3600.0, 4),
            "alkalinity": {
                "umol_per_kg": a.value,
                "dkh": None if a.value is None else _dkh(a.value, d),
                "u": a.u,
                "truth": self._play.tank_alkalinity(d.ph_read_s),
                "verdict": a.verdict.value,
                "reasons": [reason.value for reason in a.reasons],
            },
            "ph_total": _quantity(d.ph_total, ph_true),
            "salinity": _quantity(d.salinity, salinity_true),
        }

    def finish(self, end_s: float) -> dict[str, Any]:
        self.collect()
        listed = [
            entry
            for entry, outcome in zip(self.determinations, self.outcomes, strict=True)
            if outcome.finished_s <= end_s
        ]
        return {
            "schema_version": 1,
            "determinations": listed,
            "trips": [trip for service in self.services for trip in _trips(service)],
            "alerts": [
                {
                    "at_h": round(alert.at_s / 3600.0, 4),
                    "severity": alert.severity.label,
                    "code": alert.code,
                    "text": alert.text,
                }
                for service in self.services
                for alert in service.raised
            ],
            "truth": self._play.truth(),
            "ledger_bound_held": self._play.bound_held,
        }


def _trips(service: Service) -> list[dict[str, Any]]:
    trips: list[dict[str, Any]] = []
    for event in service.interlock_history:
        if event.acting:
            trips.append(
                {
                    "at_h": round(event.at_s / 3600.0, 5),
                    "cleared_h": None,
                    "interlock": event.row.name,
                    "kind": event.row.kind,
                    "cuts": sorted(event.row.cuts),
                }
            )
        else:
            for trip in reversed(trips):
                if trip["interlock"] == event.row.name and trip["cleared_h"] is None:
                    trip["cleared_h"] = round(event.at_s / 3600.0, 5)
                    break
    return trips


def _quantity(q: Quantity, truth: float) -> dict[str, Any]:
    return {
        "value": q.value,
        "u": q.u,
        "truth": truth,
        "verdict": q.verdict.value,
        "reasons": [reason.value for reason in q.reasons],
    }


def _dkh(umol_kg: float, d: Determination) -> float:
    from saltern.chemistry.units import umol_kg_to_dkh

    return umol_kg_to_dkh(umol_kg, d.salinity.value if d.salinity.value is not None else 35.0)


def bench_of(scenario: Scenario, folder: Path) -> BenchConfig:
    if scenario.bench is not None:
        config = load_bench(folder / scenario.bench)
    else:
        config = load_bench(shipped_config(DEFAULT_BENCHES[scenario.twin.instruments]))
    changes: dict[str, Any] = {}
    if scenario.schedule is not None:
        changes["schedule"] = config.schedule.model_copy(update={"every_h": scenario.schedule.every_h})
    if not scenario.twin.calibrated:  # nobody has standardised it, and the bench file must not claim so
        changes["titre"] = config.titre.model_copy(update={"u_percent": None})
    if scenario.keeps_a_tank:
        changes["tank"] = tank_table(scenario, config)
    return config.model_copy(update=changes)


def _attend(play: Play, service: Service) -> None:
    """Do what an attentive keeper does when asked."""
    standing = {alert.code for alert in service.alerting.standing}
    if standing & {"titrant-low", "interlock-titrant-empty"}:
        play.refill_titrant()
        post(service, ["part", "replaced", "titrant"])
    if "proof-due" in standing:
        for trial in trials(service.config):
            post(service, ["proved", trial.interlock, "passed", "keeper"])
    if standing & {"waste-nearly-full", "interlock-waste-full"}:
        play.empty_waste_container()
        post(service, ["part", "emptied", "waste"])
