"""What a keeper may ask of a running service over its socket: the table of handlers.

Handlers run in the socket's thread. What only reads uses a connection of its own; what moves or changes the bench is
posted to the control thread and answered when it is done.
"""

from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from functools import partial
from typing import Any

from saltern.bench.proof import trials
from saltern.chemistry.units import umol_kg_to_dkh
from saltern.config.tables import BenchConfig
from saltern.errors import ConfigError, InterlockError, told
from saltern.model.away import Away
from saltern.model.commands import command_of
from saltern.model.determination import Source
from saltern.publish.outlets import told_by
from saltern.records import calibrations
from saltern.records.as_json import determination_json
from saltern.records.store import Store
from saltern.records.upkeep import go_away, installed
from saltern.rpc import protocol
from saltern.rpc.protocol import BusyError
from saltern.rpc.server import Answer, Handler
from saltern.running import guided
from saltern.running.away import outlook
from saltern.running.prompting import Prompting
from saltern.running.schedule import next_slots
from saltern.running.service import Service
from saltern.running.status import picture

PICTURE_HOLDS_S = 0.5
"""A status this young is given again: two hundred clients cost what one does."""

EARLIEST_LOGGED, AHEAD = datetime(2000, 1, 1, tzinfo=UTC), timedelta(hours=1)
"""What is written down has happened: a dose in the future would hold the schedule there. Clocks differ a little."""


@dataclass
class Remote:
    """The handlers of one service.

    Parameters
    ----------
    service
        The running bench.
    reader
        A connection to its records for reading alone.
    reload
        Takes up the bench file as it is now, and says what has changed.
    scans
        Whether the control thread has scanned the interlocks lately.
    """

    service: Service
    reader: Store
    reload: Callable[[], list[str]]
    scans: Callable[[], bool] = lambda: True
    _picture: dict[str, Any] | None = None
    _drawn_s: float = 0.0
    _prompting: Prompting | None = None

    def handlers(self) -> dict[str, Handler]:
        return {
            "hello": self._hello,
            "status": self._status,
            "follow": self._status,
            "measure": self._measure,
            "stop": self._stop,
            "operate": self._operate,
            "log": self._log,
            "condition": self._condition,
            "schedule": self._schedule,
            "results": self._results,
            "acknowledge": self._acknowledge,
            "alert-test": self._alert_test,
            "away": self._away,
            "trials": self._trials,
            "reload": self._reload,
            "guide": self._guide,
            "answer": self._answer,
            "calibrations": self._calibrations,
            "roll-back": self._roll_back,
        }

    def _hello(self, _: protocol.Nothing) -> Answer:
        return {"version": protocol.VERSION, "bench": self.service.config.name, "scans": self.scans()}

    def _status(self, _: protocol.Nothing) -> Answer:
        return self.status()

    def status(self) -> dict[str, Any]:
        """Return the bench's status, half a second old at most."""
        return self._drawn(PICTURE_HOLDS_S)

    def status_now(self) -> dict[str, Any]:
        """Return the bench's status as it is this moment."""
        return self._drawn(0.0)

    def _drawn(self, holds_s: float) -> dict[str, Any]:
        now_s = self.service.clock.monotonic()
        if self._picture is None or not 0.0 <= now_s - self._drawn_s < holds_s:
            service = self.service
            self._picture = picture(
                service.config,
                self.reader,
                service.clock.now(),
                ledger=service.bench.ledger,
                acting=tuple((row.name, row.kind, row.remedy) for row in service.bench.guard.acting),
                standing=service.alerting.standing,
                running=service.running,
                conditions=service.conditions(),
                bypassed=service.bench.guard.bypassed(),
                connections=service.bench.connections,
            )
            self._drawn_s = now_s
        question = self._prompting.question if self._prompting is not None else None
        asked = None if question is None else asdict(question)
        return {**self._picture, "running": self.service.running, "question": asked}

    def _measure(self, params: protocol.MeasureParams) -> Answer:
        self._refuse_while_busy()
        left_open = self.service.left_open()
        if left_open is not None:
            raise ConfigError(
                f"{left_open} did not come to its end: lines or probes may be out",
                where="measure",
                remedy="Put them back, then say: saltern hold BENCH.toml 0",
            )
        if self.service.parked():
            raise ConfigError("the bench is parked", where="measure", remedy="Take it up again: saltern resume")
        self.service.claim(f"measure {params.source}")
        self._post(partial(self.service.measure, Source(params.source)), Future())
        return {"id": self.reader.next_id(), "source": params.source}

    def _stop(self, _: protocol.Nothing) -> Answer:
        if self.service.running is None:
            raise BusyError("nothing is under way", where="stop", remedy="There is nothing to stop")
        self.service.stop_what_runs()
        return {"stopping": self.service.running}

    def _operate(self, params: protocol.OperateParams) -> "Future[Answer]":
        command_of(params.words)
        self._refuse_while_busy()
        self.service.claim(" ".join(params.words))
        answer: Future[Answer] = Future()

        def act() -> Answer:
            self.service.operator(list(params.words))
            return {"done": list(params.words), "acting": [row.name for row in self.service.bench.guard.acting]}

        self._post(act, answer)
        return answer

    def _log(self, params: protocol.LogParams) -> Answer:
        now = self.service.clock.now()
        try:
            at = now if params.at is None else datetime.fromisoformat(params.at)
        except ValueError as error:
            raise ConfigError(f"{params.at!r} is no time", where="log", remedy="Give ISO 8601") from error
        if at.tzinfo is None:
            raise ConfigError("the time has no offset", where="log", remedy="For example 2026-03-02T18:00+00:00")
        if params.at is not None and not EARLIEST_LOGGED <= at <= now + AHEAD:
            raise ConfigError(
                f"{params.at} lies before {EARLIEST_LOGGED:%Y}, or ahead of the bench's clock",
                where="log",
                remedy=f"Correct it; the bench's clock says {now.isoformat(timespec='seconds')}",
            )
        return {"id": self.service.store.log(params.entry, at)}

    def _condition(self, params: protocol.ConditionParams) -> Answer:
        if params.name in self.service.config.inputs:
            raise ConfigError(f"{params.name} is an input", where="condition", remedy="The bench reads it by itself")
        self.service.store.set_condition(params.name, params.holds)
        return {"conditions": self.service.conditions()}

    def _schedule(self, params: protocol.ScheduleParams) -> Answer:
        now = self.service.clock.now()
        last = self.reader.last_started(Source.TANK)
        slots = next_slots(self.service.schedule(), now, last, params.count)
        decision = self.service.decision()
        return {
            "now": {"due": decision.start, "why": decision.why},
            "next": [{"at_utc": slot.at.isoformat(timespec="seconds"), "why": slot.why} for slot in slots],
        }

    def _results(self, params: protocol.ResultsParams) -> Answer:
        rows = self.reader.results(params.limit)[::-1]
        return {"determinations": [determination_json(number, d) for number, d in rows]}

    def _acknowledge(self, params: protocol.AcknowledgeParams) -> Answer:
        if not self.service.alerting.acknowledge(params.code):
            standing = ", ".join(alert.code for alert in self.service.alerting.standing) or "none"
            raise ConfigError(f"no alert {params.code!r} stands", where="acknowledge", remedy=f"Standing: {standing}")
        return {"acknowledged": params.code}

    def _away(self, params: protocol.AwayParams) -> Answer:
        service = self.service
        if params.days == 0:
            go_away(service.store, None)
            return {"away": None}
        newest = self.reader.believed(Source.TANK, 1)
        dkh = service.config.expected_dkh or 7.0
        if newest and newest[0].alkalinity.value is not None:
            dkh = umol_kg_to_dkh(newest[0].alkalinity.value, newest[0].salinity.value or 35.0)
        found = outlook(service.config, service.bench.ledger, dkh, params.days)
        until = service.clock.now() + timedelta(days=params.days)
        if params.apply:
            go_away(service.store, Away(until, found.gap_h))
        due = [
            {"name": name, "due_utc": (known.at + timedelta(days=part.life_days)).isoformat(timespec="seconds")}
            for name, part in service.config.parts.items()
            if (known := installed(self.reader).get(name)) is not None
            and known.at + timedelta(days=part.life_days) < until
        ]
        return {
            "away": {"until_utc": until.isoformat(timespec="seconds"), "gap_h": found.gap_h, "applied": params.apply},
            "wanted": found.wanted,
            "by_titrant": found.by_titrant,
            "by_waste": found.by_waste,
            "lasts": found.lasts,
            "parts_due": due,
            "told": _who_is_told(service.config),
        }

    def _trials(self, _: protocol.Nothing) -> Answer:
        return {
            "trials": [
                {"interlock": trial.interlock, "provoke": trial.provoke, "put_back": trial.put_back}
                for trial in trials(self.service.config)
            ]
        }

    def _reload(self, _: protocol.Nothing) -> "Future[Answer]":
        """Between determinations: one that is under way ends as it began."""
        self._refuse_while_busy()
        self.service.claim("reload")
        answer: Future[Answer] = Future()

        def act() -> Answer:
            return {"changed": self.reload()}

        self._post(act, answer)
        return answer

    def _guide(self, params: protocol.GuideParams) -> Answer:
        """Begin a guided procedure; it goes on without whoever began it, and may be taken up by another."""
        options = guided.options_of(params.procedure, params.options)
        self._refuse_while_busy()
        service = self.service
        service.claim(params.procedure, guided=True)
        prompting = Prompting(service.bench, service.on_event, params.answers)
        self._prompting = prompting

        def act() -> Answer:
            try:
                found = guided.run(service, params.procedure, options, prompting, params.who)
            except Exception as failure:
                error = told(failure, params.procedure)
                what = {"what": error.what, "where": error.where, "remedy": error.remedy}
                code = protocol.REFUSED if isinstance(error, InterlockError) else protocol.FAILED
                service.on_event("ended", {"procedure": params.procedure, "error": what, "code": code})
                raise
            service.on_event("ended", {"procedure": params.procedure, "result": found})
            return found

        self._post(act, Future())
        return {"started": params.procedure}

    def _answer(self, params: protocol.AnswerParams) -> Answer:
        if self._prompting is None:
            raise ConfigError("nothing is asked", where="answer", remedy="Begin a guided procedure first")
        self._prompting.answer(params.key, params.text)
        return {"answered": params.key}

    def _calibrations(self, params: protocol.CalibrationsParams) -> Answer:
        return {"calibrations": calibrations.listed(self.reader, params.kind)}

    def _roll_back(self, params: protocol.RollBackParams) -> "Future[Answer]":
        self._refuse_while_busy()
        self.service.claim("roll back")
        answer: Future[Answer] = Future()

        def act() -> Answer:
            guided.roll_back(self.service, params.kind, params.number, params.who)
            return {"calibrations": calibrations.listed(self.reader, params.kind)}

        self._post(act, answer)
        return answer

    def _alert_test(self, _: protocol.Nothing) -> Answer:
        self.service.mailbox.put(self.service.test_alert)
        return {"told": True}

    def _refuse_while_busy(self) -> None:
        running = self.service.running
        if running is not None:
            raise BusyError(
                f"the bench is at work: {running['what']}", where="rpc", remedy="Wait for it, or stop it first"
            )

    def _post(self, act: Callable[[], object], answer: "Future[Any]") -> None:
        """Let the control thread do it, and give the answer what came of it."""

        def do() -> None:
            try:
                outcome = act()
            except Exception as error:
                answer.set_exception(told(error, "service"))
                raise
            finally:
                self.service.release()
            answer.set_result(outcome)

        self.service.mailbox.put(do)


def _who_is_told(config: BenchConfig) -> list[str]:
    """Return by which ways somebody hears of trouble; addresses stay secret."""
    alerts, ways = config.alerts, []
    if alerts.urls_file is not None:
        ways.append("notification addresses in alerts.urls_file")
    if alerts.heartbeat is not None:
        ways.append(f"a heartbeat at {alerts.heartbeat:%H:%M}")
    if alerts.watcher_url_file is not None:
        ways.append("a watcher outside the house, which misses the bench when it falls silent")
    return [*ways, *told_by(config)]
