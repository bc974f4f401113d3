"""What a keeper may ask of a running service over its socket: the table of handlers.

Handlers run in the socket's thread, and touch nothing there: what only reads uses a connection of its own
(`remote_reads`), what moves or changes anything is posted to the control thread and answered when it is done.
"""

from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, field
from datetime import timedelta
from functools import partial
from typing import Any

from saltern.bench.gate import Purpose
from saltern.errors import ConfigError, InterlockError, as_saltern_error
from saltern.model.away import Away
from saltern.model.commands import command_of
from saltern.model.determination import Source
from saltern.records import calibrations
from saltern.records.store import Store
from saltern.records.upkeep import go_away
from saltern.rpc import protocol
from saltern.rpc.protocol import BusyError
from saltern.rpc.server import Answer, Handler
from saltern.running import guided
from saltern.running.prompting import Prompting, Question
from saltern.running.remote_log import RemoteLog
from saltern.running.remote_reads import Reads, ways_of_alerts
from saltern.running.service import Service
from saltern.running.standing_again import keep_acknowledged

Later = Future[Answer]


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
    reads: Reads = field(init=False)
    _prompting: Prompting | None = None

    def __post_init__(self) -> None:
        self.reads = Reads(self.service, self.reader, self.scans, self._question)

    def status(self) -> dict[str, Any]:
        """Return the bench's status, half a second old at most."""
        return self.reads.status()

    def status_now(self) -> dict[str, Any]:
        """Return the bench's status as it is this moment."""
        return self.reads.status(0.0)

    def handlers(self) -> dict[str, Handler]:
        return {
            **self.reads.handlers(),
            "measure": self._measure,
            "stop": self._stop,
            "operate": self._operate,
            **RemoteLog(self.service, self.reader, self._post_for_records).handlers(),
            "condition": self._condition,
            "acknowledge": self._acknowledge,
            "alert-test": self._alert_test,
            "away": self._away,
            "reload": self._reload,
            "guide": self._guide,
            "answer": self._answer,
            "roll-back": self._roll_back,
        }

    # What needs the bench for itself ----------------------------------------------------

    def _measure(self, params: protocol.MeasureParams) -> Answer:
        self._refuse_while_busy()
        self.service.bench.gate.demand(Purpose.ASKED)
        self._post(f"measure {params.source}", partial(self.service.measure, Source(params.source)))
        return {"id": self.reader.next_id(), "source": params.source}

    def _operate(self, params: protocol.OperateParams) -> Later:
        command_of(params.words)
        self._refuse_while_busy()

        def act() -> Answer:
            self.service.operator(list(params.words))
            return {"done": list(params.words), "acting": [row.name for row in self.service.bench.guard.acting]}

        return self._post(" ".join(params.words), act)

    def _reload(self, _: protocol.Nothing) -> Later:
        """Between determinations: one that is under way ends as it began."""
        self._refuse_while_busy()
        return self._post("reload", lambda: {"changed": self.reload()})

    def _roll_back(self, params: protocol.RollBackParams) -> Later:
        self._refuse_while_busy()

        def act() -> Answer:
            guided.roll_back(self.service, params.kind, params.number, params.who)
            return {"calibrations": calibrations.listed(self.reader, params.kind)}

        return self._post("roll back", act)

    def _guide(self, params: protocol.GuideParams) -> Answer:
        """Begin a guided procedure; it goes on without whoever began it, and may be taken up by another."""
        options = guided.options_of(params.procedure, params.options)
        self._refuse_while_busy()
        service = self.service
        prompting = Prompting(service.bench, service.on_event, params.answers)

        def act() -> Answer:
            try:
                found = guided.run(service, params.procedure, options, prompting, params.who)
            except Exception as failure:
                error = as_saltern_error(failure, params.procedure)
                what = {"what": error.what, "where": error.where, "remedy": error.remedy}
                code = protocol.REFUSED if isinstance(error, InterlockError) else protocol.FAILED
                service.on_event("ended", {"procedure": params.procedure, "error": what, "code": code})
                raise
            service.on_event("ended", {"procedure": params.procedure, "result": found})
            return found

        self._post(params.procedure, act, guided=True)
        self._prompting = prompting
        return {"started": params.procedure}

    # What goes beside it ----------------------------------------------------------------

    def _stop(self, _: protocol.Nothing) -> Answer:
        if self.service.running is None:
            raise BusyError("nothing is under way", where="stop", remedy="There is nothing to stop")
        self.service.stop_what_runs()
        return {"stopping": self.service.running}

    def _answer(self, params: protocol.AnswerParams) -> Answer:
        if self._prompting is None:
            raise ConfigError("nothing is asked", where="answer", remedy="Begin a guided procedure first")
        self._prompting.answer(params.key, params.text)
        return {"answered": params.key}

    def _question(self) -> Question | None:
        return None if self._prompting is None else self._prompting.question

    def _condition(self, params: protocol.ConditionParams) -> Later:
        if params.name in self.service.config.inputs:
            raise ConfigError(f"{params.name} is an input", where="condition", remedy="The bench reads it by itself")

        def act() -> Answer:
            self.service.store.set_condition(params.name, params.holds)
            return {"conditions": self.service.start_rules.conditions()}

        return self._post_for_records(act)

    def _acknowledge(self, params: protocol.AcknowledgeParams) -> Later:
        def act() -> Answer:
            if not self.service.alerting.acknowledge(params.code):
                standing = ", ".join(alert.code for alert in self.service.alerting.standing) or "none"
                what = f"no alert {params.code!r} stands"
                raise ConfigError(what, where="acknowledge", remedy=f"Standing: {standing}")
            keep_acknowledged(self.service.store, params.code, self.service.clock.now())
            return {"acknowledged": params.code}

        return self._post_for_records(act)

    def _away(self, params: protocol.AwayParams) -> Answer | Later:
        service = self.service
        if params.days == 0:

            def back() -> Answer:
                go_away(service.store, None)
                return {"away": None}

            return self._post_for_records(back)
        found, answer = self.reads.absence(params.days)
        answer["away"]["applied"] = params.apply
        if not params.apply:
            return answer

        def act() -> Answer:
            go_away(service.store, Away(service.clock.now() + timedelta(days=params.days), found.gap_h))
            return answer

        return self._post_for_records(act)

    def _alert_test(self, _: protocol.Nothing) -> Later:
        def act() -> Answer:
            self.service.alerting.once("test", "this is a test: alerts reach you this way")
            return {"sent": True, "ways": ways_of_alerts(self.service.config)}

        return self._post_for_records(act)

    # Posting ----------------------------------------------------------------------------

    def _refuse_while_busy(self) -> None:
        running = self.service.running
        if running is not None:
            raise BusyError(
                f"the bench is at work: {running['what']}", where="rpc", remedy="Wait for it, or stop it first"
            )

    def _post(self, what: str, act: Callable[[], object], *, guided: bool = False) -> "Future[Any]":
        """Claim the bench, let the control thread do it, and return what will come of it."""
        answer: Future[Any] = Future()
        at_work = self.service.at_work

        def do() -> None:
            try:
                outcome = act()
            except Exception as error:
                answer.set_exception(as_saltern_error(error, "service"))
                raise
            finally:
                at_work.release()
            answer.set_result(outcome)

        at_work.claim(what, guided=guided)
        try:
            self.service.mailbox.put(do)
        except BusyError:
            at_work.release()
            raise
        return answer

    def _post_for_records(self, act: Callable[[], Answer]) -> Later:
        """Let the control thread do it at the next rest, whatever is under way."""
        answer: Later = Future()

        def do() -> None:
            try:
                answer.set_result(act())
            except Exception as error:  # noqa: BLE001 - whoever asked hears of it; what is under way goes on
                answer.set_exception(as_saltern_error(error, "service"))

        self.service.mailbox.put_for_records(do)
        return answer
