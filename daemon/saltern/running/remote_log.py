"""The keeper's log over the socket: write down, list, undo, correct, and take in a file of past notes as one."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from saltern.errors import ConfigError
from saltern.model.logbook import AnyEntry, Logged
from saltern.model.said_time import FORMS, said_time
from saltern.records import logbook
from saltern.records.store import Store
from saltern.rpc import protocol
from saltern.rpc.protocol import AskedError
from saltern.rpc.server import Answer, Handler
from saltern.running.log_asks import asks, note, there_already
from saltern.running.service import Service

EARLIEST_LOGGED, AHEAD = datetime(2000, 1, 1, tzinfo=UTC), timedelta(hours=1)
"""What is written down has happened: a dose in the future would hold the schedule there. Clocks differ a little."""

Posting = Callable[[Callable[[], Answer]], Any]


class RemoteLog:
    """The handlers of the log.

    Parameters
    ----------
    service
        The running bench.
    reader
        A connection to its records for reading alone.
    post
        Lets the control thread do something with the records at the next rest.
    """

    def __init__(self, service: Service, reader: Store, post: Posting) -> None:
        self._service, self._reader, self._post = service, reader, post

    def handlers(self) -> dict[str, Handler]:
        return {
            "log": self._log,
            "log-list": self._list,
            "log-undo": self._undo,
            "log-correct": self._correct,
            "log-import": self._import,
        }

    def _log(self, params: protocol.LogParams) -> Any:
        at = self._sure(params.entry, params.at, sure=params.sure)

        def act() -> Answer:
            number = self._service.store.log(params.entry, at, params.who)
            self._service.measuring.look_again()
            return self._kept(number, params.entry, at)

        return self._post(act)

    def _list(self, params: protocol.LogListParams) -> Answer:
        config = self._service.config
        return {
            "time_zone": config.schedule.time_zone,
            "alkalinity_unit": config.alkalinity_unit.value,
            "at_utc": self._service.clock.now().isoformat(timespec="seconds"),
            "supplements": [] if config.tank is None else sorted(config.tank.supplements),
            "entries": [_json(one) for one in logbook.entries(self._reader, params.limit)] if params.limit else [],
        }

    def _undo(self, params: protocol.LogUndoParams) -> Any:
        def act() -> Answer:
            undone = logbook.undo(self._service.store, params.number, params.who, self._service.clock.now())
            self._service.measuring.look_again()
            return {"undone": undone}

        return self._post(act)

    def _correct(self, params: protocol.LogCorrectParams) -> Any:
        was = logbook.entry(self._reader, params.number)
        given = None if params.at is None else params.at
        at = self._sure(params.entry, was.at.isoformat() if given is None else given, sure=params.sure)

        def act() -> Answer:
            now = self._service.clock.now()
            number = logbook.correct(self._service.store, params.number, params.entry, at, params.who, now)
            self._service.measuring.look_again()
            return self._kept(number, params.entry, at)

        return self._post(act)

    def _import(self, params: protocol.LogImportParams) -> Any:
        """Check rows, all of them or none; keep them if that is wanted. What is wrong is named by its line."""
        now, config = self._service.clock.now(), self._service.config
        rows, wrong, asked = [], [], []
        for one in params.rows:
            try:
                at = self._happened(one.at)
            except ConfigError as error:
                wrong.append(f"line {one.line}: {error.what}")
                continue
            rows.append((at, one.entry))
            asked += [
                f"line {one.line}: {what}" for what in asks(one.entry, at, now, config.tank, config.alkalinity_unit)
            ]
        if wrong:
            raise ConfigError(
                f"nothing was taken: {protocol.shortened_list(wrong)}", where="log import", remedy=f"Give {FORMS}"
            )
        logged = self._reader.logged(min((at for at, _ in rows), default=now) - timedelta(minutes=1))
        again = sum(there_already(entry, at, logged) for at, entry in rows)
        if again:
            asked.append(f"{again} of {len(rows)} are in the log already")
        shown = [{"line": one.line, "at_utc": _utc(at)} for one, (at, _) in zip(params.rows, rows, strict=True)]
        if params.look or (asked and not params.sure):
            return {"batch": None, "ids": [], "rows": shown, "asks": asked}

        def act() -> Answer:
            store, at = self._service.store, self._service.clock.now()
            numbers = logbook.keep_batch(store, rows, params.who, at, params.into)
            self._service.measuring.look_again()
            return {"batch": params.into or numbers[0], "ids": numbers, "rows": shown, "asks": asked}

        return self._post(act)

    # ----------------------------------------------------------------------------------

    def _sure(self, entry: AnyEntry, said: str | None, *, sure: bool) -> datetime:
        """Return when it was.

        Raises
        ------
        ConfigError
            It is no time, or cannot have been.
        AskedError
            Something of it is unlikely, and nobody said that it is so.
        """
        now, config = self._service.clock.now(), self._service.config
        at = now if said is None else self._happened(said)
        unlikely = asks(entry, at, now, config.tank, config.alkalinity_unit)
        if unlikely and not sure:
            raise AskedError("; ".join(unlikely), where="log", remedy="Correct it, or say that it is so (`sure`)")
        return at

    def _happened(self, said: str) -> datetime:
        now, zone = self._service.clock.now(), ZoneInfo(self._service.config.schedule.time_zone)
        try:
            at = said_time(said, now, zone)
        except ValueError as error:
            raise ConfigError(str(error), where="log", remedy=f"Give {FORMS}; times are those of {zone.key}") from error
        if not EARLIEST_LOGGED <= at <= now + AHEAD:
            raise ConfigError(
                f"{said} is earlier than {EARLIEST_LOGGED:%Y}, or ahead of the bench's clock",
                where="log",
                remedy=f"Correct it; the bench's clock says {now.astimezone(zone):%Y-%m-%d %H:%M}",
            )
        return at

    def _kept(self, number: int, entry: AnyEntry, at: datetime) -> Answer:
        return {"id": number, "at_utc": _utc(at), "note": note(entry, self._service.config.tank)}


def _utc(at: datetime) -> str:
    return at.astimezone(UTC).isoformat(timespec="seconds")


def _json(one: Logged) -> dict[str, Any]:
    return {
        "id": one.id,
        "at_utc": _utc(one.at),
        "entry": one.entry.model_dump(mode="json"),
        "who": one.who,
        "said_utc": None if one.said_at is None else _utc(one.said_at),
        "corrects": one.corrects,
        "batch": one.batch,
        "undone_utc": None if one.undone_at is None else _utc(one.undone_at),
        "undone_by": one.undone_by or None,
    }
