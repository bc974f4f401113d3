"""What may be read of a running bench over its socket, in the socket's thread and by a connection of its own."""

from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from datetime import timedelta
from typing import Any

from saltern.bench.gate import Gate, Purpose
from saltern.bench.proof import trials
from saltern.chemistry.units import umol_kg_to_dkh
from saltern.config.tables import BenchConfig
from saltern.model.determination import Source
from saltern.publish.outlets import reaches
from saltern.records import calibrations
from saltern.records.as_json import determination_json
from saltern.records.store import Store
from saltern.records.upkeep import installed
from saltern.rpc import protocol
from saltern.rpc.server import Answer, Handler
from saltern.running.away import Outlook, outlook
from saltern.running.prompting import Question
from saltern.running.schedule import next_slots
from saltern.running.service import Service
from saltern.running.start_rules import refusal
from saltern.running.status import picture

PICTURE_HOLDS_S = 0.5
"""A status this young is given again: two hundred clients cost what one does."""


@dataclass
class Reads:
    """The handlers that change nothing.

    Parameters
    ----------
    service
        The running bench.
    reader
        A connection to its records for reading alone.
    scans
        Whether the control thread has scanned the interlocks lately.
    question
        What a person is asked at this moment.
    """

    service: Service
    reader: Store
    scans: Callable[[], bool]
    question: Callable[[], Question | None]
    _picture: dict[str, Any] | None = None
    _drawn_s: float = 0.0
    _gate: Gate = field(init=False)  # the bench's, asked by the reader's own connection

    def __post_init__(self) -> None:
        config, service = self.service.config, self.service
        self._gate = Gate(
            config.name,
            config.wires,
            service.clock,
            service.bench.guard,
            self.reader,
            lambda: service.config.schedule.time_zone,
        )

    def handlers(self) -> dict[str, Handler]:
        return {
            "hello": self._hello,
            "status": self._status,
            "follow": self._status,
            "schedule": self._schedule,
            "results": self._results,
            "trials": self._trials,
            "calibrations": self._calibrations,
        }

    def status(self, holds_s: float = PICTURE_HOLDS_S) -> dict[str, Any]:
        """Return the bench's status, so old at most."""
        service, now_s = self.service, self.service.clock.monotonic()
        if self._picture is None or not 0.0 <= now_s - self._drawn_s < holds_s:
            self._picture = picture(
                service.config,
                self.reader,
                service.clock.now(),
                ledger=service.bench.ledger,
                acting=service.bench.guard.acting,
                standing=service.alerting.standing,
                running=service.running,
                conditions=service.start_rules.conditions(self.reader),
                decision=service.start_rules.decision(self.reader),
                refused=refusal(self._gate, service.bench.guard.acting, Purpose.SCHEDULED),
                bypassed=service.bench.guard.bypassed(),
                connections=service.bench.connections,
            )
            self._drawn_s = now_s
        question, tank = self.question(), service.config.tank
        return {
            **self._picture,
            "running": service.running,
            "question": None if question is None else asdict(question),
            "tank": None if tank is None else service.tank_seen.now(service.clock.now(), tank),
        }

    def absence(self, days: float) -> tuple[Outlook, Answer]:
        """Return what so many days without a keeper come to, and the same as an answer."""
        service, config = self.service, self.service.config
        newest = self.reader.reportable(Source.TANK, 1)
        dkh = config.expected_dkh or 7.0
        if newest and newest[0].alkalinity.value is not None:
            dkh = umol_kg_to_dkh(newest[0].alkalinity.value, newest[0].salinity.value or 35.0)
        found = outlook(config, service.bench.ledger, dkh, days)
        until, put_in = service.clock.now() + timedelta(days=days), installed(self.reader)
        due = [
            {"name": name, "due_utc": (known.at + timedelta(days=part.life_days)).isoformat(timespec="seconds")}
            for name, part in config.parts.items()
            if (known := put_in.get(name)) is not None and known.at + timedelta(days=part.life_days) < until
        ]
        return found, {
            "away": {"until_utc": until.isoformat(timespec="seconds"), "gap_h": found.gap_h},
            "wanted": found.wanted,
            "by_titrant": found.by_titrant,
            "by_waste": found.by_waste,
            "lasts": found.lasts,
            "parts_due": due,
            "alerts_go_to": _whom_it_reaches(config),
        }

    def _hello(self, _: protocol.Nothing) -> Answer:
        return {"version": protocol.VERSION, "bench": self.service.config.name, "scans": self.scans()}

    def _status(self, _: protocol.Nothing) -> Answer:
        return self.status()

    def _schedule(self, params: protocol.ScheduleParams) -> Answer:
        rules, now = self.service.start_rules, self.service.clock.now()
        last = self.reader.last_started(Source.TANK)
        slots = next_slots(rules.schedule(self.reader), now, last, params.count, self.service.config.name)
        decision = rules.decision(self.reader)
        return {
            "now": {"due": decision.start, "why": decision.why},
            "next": [{"at_utc": slot.at.isoformat(timespec="seconds"), "why": slot.why} for slot in slots],
        }

    def _results(self, params: protocol.ResultsParams) -> Answer:
        rows = self.reader.results(params.limit)[::-1]
        past = [d for _, d in rows]
        found = [determination_json(number, d, past) for number, d in rows]
        config = self.service.config
        return {
            "time_zone": config.schedule.time_zone,
            "alkalinity_unit": config.alkalinity_unit.value,
            "determinations": found,
        }

    def _trials(self, _: protocol.Nothing) -> Answer:
        return {
            "trials": [
                {"interlock": trial.interlock, "provoke": trial.provoke, "put_back": trial.put_back}
                for trial in trials(self.service.config)
            ]
        }

    def _calibrations(self, params: protocol.CalibrationsParams) -> Answer:
        return {"calibrations": calibrations.listed(self.reader, params.kind)}


def ways_of_alerts(config: BenchConfig) -> list[str]:
    """Return by which ways an alert goes out; addresses stay secret."""
    addresses = [] if config.alerts.urls_file is None else ["notification addresses in alerts.urls_file"]
    return addresses + reaches(config)


def _whom_it_reaches(config: BenchConfig) -> list[str]:
    """Return by which ways somebody hears of trouble; addresses stay secret."""
    alerts, ways = config.alerts, []
    if alerts.urls_file is not None:
        ways.append("notification addresses in alerts.urls_file")
    if alerts.heartbeat is not None:
        ways.append(f"a heartbeat at {alerts.heartbeat:%H:%M}")
    if alerts.watcher_url_file is not None:
        ways.append("a watcher outside the house, which misses the bench when it falls silent")
    return [*ways, *reaches(config)]
