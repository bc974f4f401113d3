"""Alerts to the keeper's telephone or mailbox, by whatever service their addresses name (apprise).

What cannot be sent waits in the records until it can. In quiet hours only what asks to act now is sent; the rest
follows when they end. A watcher outside the house hears at intervals that the bench lives: a dead computer cannot
say so.
"""

import urllib.request
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, time, timedelta
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import structlog
from pydantic import BaseModel

from saltern.config.hours import is_within
from saltern.config.tables import Alerts, BenchConfig
from saltern.errors import ConfigError
from saltern.model.alert import Alert, Severity
from saltern.ports import Clock
from saltern.publish.breakfast import breakfast
from saltern.publish.credentials import secret
from saltern.publish.outlet import OutletKind, Rounds, Surroundings
from saltern.records.store import Store
from saltern.report.morning import Message

if TYPE_CHECKING:  # a bench that alerts nobody needs no library for it
    from apprise import Apprise

NOW, LATER = "notify-now", "notify"
LOOK_EVERY_S, AFTER_FAILURE_S = 2.0, 60.0
LAST_WORDS_S = 5.0
AT_A_TIME = 50
HEARTBEAT = "heartbeat"
LATE = timedelta(hours=12)
"""A sign of life that could not be sent for so long is sent as it was: what is now comes with the next one."""

WATCHER_EVERY_S, WATCHER_TIMEOUT_S = 900.0, 10.0


def addresses_of(lines: Sequence[str], where: str) -> "Apprise":
    """Return the addresses of a credential's lines.

    Raises
    ------
    ConfigError
        One is none.
    ImportError
        apprise is not installed.
    """
    from apprise import Apprise

    addresses = Apprise()
    for number, line in enumerate(lines, start=1):
        if line.strip() and not addresses.add(line.strip()):
            raise ConfigError(
                f"line {number} is not a notification address",  # its text is a secret
                where=where,
                remedy="Give addresses as apprise knows them, one a line",
            )
    return addresses


def sent(
    addresses: "Apprise", bench: str, alert: Alert, message: Message | None = None, picture: bytes | None = None
) -> bool:
    """Send one alert; return whether it went. Where there is no address, nothing is left to do.

    Parameters
    ----------
    addresses, bench, alert
        To whom, of which bench, and what.
    message, picture
        What is said in place of the alert's own text, and a PNG beside it; ways that take no pictures leave it out.
    """
    from apprise import NotifyType

    if len(addresses) == 0:
        return True
    kinds = {
        "act now": NotifyType.FAILURE,
        "look today": NotifyType.WARNING,
        "for information": NotifyType.INFO,
    }
    asks = alert.severity.for_the_keeper
    words = Message(f"{bench}: {asks}", alert.text) if message is None else message
    if picture is not None:
        with TemporaryDirectory() as folder:
            chart = Path(folder) / "alkalinity.png"
            chart.write_bytes(picture)
            if addresses.notify(body=words.body, title=words.title, notify_type=kinds[asks], attach=[str(chart)]):
                return True  # else without it: a way that refuses a picture may take the words
    return bool(addresses.notify(body=words.body, title=words.title, notify_type=kinds[asks]))


class NotifyOutlet:
    """Sends until it is closed, in a thread of its own.

    Parameters
    ----------
    config, bench, folder
        The alerts' table, the bench's name, and the folder of its file (for credentials).
    store, clock
        The records, and the time.
    is_quiet
        Whether a local time lies in the keeper's quiet hours.
    alive
        Whether the bench's own loop is running: the watcher hears of it only then.
    breakfast
        Composes the morning message of a status, with its chart.

    Raises
    ------
    ConfigError
        A credential cannot be used, or an address is none.
    ImportError
        apprise is not installed.
    """

    def __init__(
        self,
        config: Alerts,
        bench: str,
        folder: Path,
        store: Store,
        clock: Clock,
        is_quiet: Callable[[time], bool],
        alive: Callable[[], bool],
        breakfast: Callable[[dict[str, Any]], tuple[Message, bytes | None]] | None = None,
    ) -> None:
        self._breakfast = breakfast
        self._status: dict[str, Any] | None = None
        self._bench = bench
        self._store = store
        self._clock = clock
        self._is_quiet = is_quiet
        self._alive = alive
        named = "" if config.urls_file is None else secret(config.urls_file, folder)
        self._addresses = addresses_of(named.splitlines(), str(config.urls_file))
        self._watcher = None if config.watcher_url_file is None else secret(config.watcher_url_file, folder)
        if self._watcher is not None and not self._watcher.startswith(("https://", "http://")):
            raise ConfigError("the watcher's address must begin with https://", where="alerts", remedy="Correct it")
        self._log = structlog.get_logger("saltern.notify")
        for outlet in (NOW, LATER):
            store.acknowledged(outlet, "alert")
        self._watcher_called_s = -WATCHER_EVERY_S
        self._rounds = Rounds("notify", self._look, LOOK_EVERY_S, AFTER_FAILURE_S, at_end=lambda: self._send(NOW))
        self._rounds.start()

    def update(self, status: dict[str, Any]) -> None:
        """Keep it for the morning; alerts are read from the records, so that none is missed."""
        self._status = status

    def close(self) -> None:
        self._rounds.close(within_s=LAST_WORDS_S)

    def _look(self) -> bool:
        went = self._send(NOW) and (self._is_quiet(self._clock.now().time()) or self._send(LATER))
        if self._watcher is not None and self._clock.monotonic() - self._watcher_called_s >= WATCHER_EVERY_S:
            self._watcher_called_s = self._clock.monotonic()
            self._call_watcher(self._watcher)
        return went

    def _send(self, outlet: str) -> bool:
        """Send what is new and of this outlet's urgency; return whether all of it went."""
        for number, alert in self._store.alerts_after(self._store.acknowledged(outlet, "alert"), AT_A_TIME):
            urgent = alert.severity <= Severity.CRITICAL
            if urgent is (outlet == NOW) and not sent(self._addresses, self._bench, alert, *self._morning(alert)):
                self._log.warning("notify.failed", code=alert.code)
                return False
            self._store.acknowledge(outlet, "alert", number)
        return True

    def _morning(self, alert: Alert) -> tuple[Message | None, bytes | None]:
        """Return what a heartbeat of this morning says; of any other alert its own text is enough."""
        status, late = self._status, self._clock.now() - alert.at > LATE
        if alert.code != HEARTBEAT or self._breakfast is None or status is None or late:
            return None, None
        try:
            return self._breakfast(status)
        except Exception:  # noqa: BLE001 - the sign of life must come, whatever keeps the chart away
            self._log.exception("notify.morning_failed")
            return None, None

    def _call_watcher(self, address: str) -> None:
        if not self._alive():
            return
        try:
            with urllib.request.urlopen(address, timeout=WATCHER_TIMEOUT_S):  # noqa: S310 - the scheme was checked
                pass
        except OSError as error:
            self._log.warning("notify.watcher_unreached", reason=str(getattr(error, "reason", error)))


def _asked_by(config: BenchConfig) -> BaseModel | None:
    """Return the table of alerts where it names somebody."""
    asked = (config.alerts.urls_file, config.alerts.watcher_url_file) != (None, None)
    return config.alerts if asked else None


def _open(table: Alerts, around: Surroundings) -> NotifyOutlet:
    def is_quiet(utc: time) -> bool:
        zone = ZoneInfo(around.current().schedule.time_zone)
        local = datetime.combine(around.clock.now().date(), utc, tzinfo=UTC).astimezone(zone).time()
        return is_within(local, around.current().alerts.quiet)

    name, composed = around.current().name, partial(breakfast, around)
    return NotifyOutlet(table, name, around.folder, around.store, around.clock, is_quiet, around.is_alive, composed)


KIND = OutletKind(_open, extra="alerts", asked_by=_asked_by)
