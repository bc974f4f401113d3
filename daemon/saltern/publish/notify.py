"""Alerts to the keeper's telephone or mailbox, by whatever service their addresses name (apprise).

What cannot be sent waits in the records until it can. In quiet hours only what asks to act now is sent; the rest
follows when they end. A watcher outside the house is told at intervals that the bench lives: a dead computer cannot
say so.
"""

import threading
import urllib.request
from collections.abc import Callable, Sequence
from datetime import time
from pathlib import Path

import structlog
from apprise import Apprise, NotifyType

from saltern.config.tables import Alerts
from saltern.errors import ConfigError, StorageError
from saltern.model.alert import Alert, Severity
from saltern.ports import Clock
from saltern.publish.credentials import secret
from saltern.records.store import Store

NOW, LATER = "notify-now", "notify"
LOOK_EVERY_S, AFTER_FAILURE_S = 2.0, 60.0
LAST_WORDS_S = 5.0
AT_A_TIME = 50
WATCHER_EVERY_S, WATCHER_TIMEOUT_S = 900.0, 10.0

KINDS = {
    "act now": NotifyType.FAILURE,
    "look today": NotifyType.WARNING,
    "for information": NotifyType.INFO,
}


def addresses_of(lines: Sequence[str], where: str) -> Apprise:
    """Return the addresses of a credential's lines.

    Raises
    ------
    ConfigError
        One is none.
    """
    addresses = Apprise()
    for number, line in enumerate(lines, start=1):
        if line.strip() and not addresses.add(line.strip()):
            raise ConfigError(
                f"line {number} is no notification address",  # its text is a secret
                where=where,
                remedy="Give addresses as apprise knows them, one a line",
            )
    return addresses


def sent(addresses: Apprise, bench: str, alert: Alert) -> bool:
    """Send one alert; return whether it went. Where there is no address, nothing is left to do."""
    if len(addresses) == 0:
        return True
    asks = alert.severity.for_the_keeper
    return bool(addresses.notify(body=alert.text, title=f"{bench}: {asks}", notify_type=KINDS[asks]))


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
        Whether the bench's own loop is running: the watcher is only told then.

    Raises
    ------
    ConfigError
        A credential cannot be used, or an address is none.
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
    ) -> None:
        self._bench = bench
        self._store = store
        self._clock = clock
        self._is_quiet = is_quiet
        self._alive = alive
        self._addresses = Apprise()
        if config.urls_file is not None:
            self._addresses = addresses_of(secret(config.urls_file, folder).splitlines(), config.urls_file)
        self._watcher = None if config.watcher_url_file is None else secret(config.watcher_url_file, folder)
        if self._watcher is not None and not self._watcher.startswith(("https://", "http://")):
            raise ConfigError("the watcher's address must begin with https://", where="alerts", remedy="Correct it")
        self._log = structlog.get_logger("saltern.notify")
        for outlet in (NOW, LATER):
            store.acknowledged(outlet, "alert")
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name="notify", daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._ending.set()
        self._thread.join(timeout=LAST_WORDS_S)

    def _run(self) -> None:
        pause_s, told_watcher_s = LOOK_EVERY_S, -WATCHER_EVERY_S
        while not self._ending.wait(pause_s):
            pause_s = LOOK_EVERY_S
            try:
                if not (self._send(NOW) and (self._is_quiet(self._clock.now().time()) or self._send(LATER))):
                    pause_s = AFTER_FAILURE_S
                if self._watcher is not None and self._clock.monotonic() - told_watcher_s >= WATCHER_EVERY_S:
                    told_watcher_s = self._clock.monotonic()
                    self._tell_watcher(self._watcher)
            except StorageError as error:
                self._log.error("notify.records", what=error.what, remedy=error.remedy)
            except Exception:  # noqa: BLE001 - a library's mistake with one alert must not silence all that follow
                self._log.exception("notify.failed")
                pause_s = AFTER_FAILURE_S
        try:
            self._send(NOW)  # why it ends may be among them
        except Exception:  # noqa: BLE001 - as above; the next life sends what is not acknowledged
            self._log.exception("notify.failed")

    def _send(self, outlet: str) -> bool:
        """Send what is new and of this outlet's urgency; return whether all of it went."""
        for number, alert in self._store.alerts_after(self._store.acknowledged(outlet, "alert"), AT_A_TIME):
            urgent = alert.severity <= Severity.CRITICAL
            if urgent is (outlet == NOW) and not sent(self._addresses, self._bench, alert):
                self._log.warning("notify.failed", code=alert.code)
                return False
            self._store.acknowledge(outlet, "alert", number)
        return True

    def _tell_watcher(self, address: str) -> None:
        if not self._alive():
            return
        try:
            with urllib.request.urlopen(address, timeout=WATCHER_TIMEOUT_S):  # noqa: S310 - the scheme was checked
                pass
        except OSError as error:
            self._log.warning("notify.watcher_unreached", reason=str(getattr(error, "reason", error)))
