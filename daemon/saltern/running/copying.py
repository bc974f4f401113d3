"""The nightly copy of the records, in a thread of its own: another disk may hang, and no scan waits for it."""

import threading
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import structlog

from saltern.config.tables import BenchConfig
from saltern.errors import StorageError
from saltern.records.copies import Copied, copied, copy_records, keep_copied
from saltern.records.store import Store
from saltern.records.upkeep import began
from saltern.rpc.protocol import BusyError
from saltern.running.mailbox import Posted
from saltern.running.service import Service

LOOK_EVERY_S = 60.0
AGAIN_AFTER = timedelta(minutes=15)
OLD = timedelta(days=3)
CLOSED_WITHIN_S = 5.0


class Copying:
    """Copies when the night's time has come, makes up for a night that was missed, and says when no copy is new.

    Parameters
    ----------
    service, records
        The running bench, and where its records are.
    reader
        A connection to them for reading alone.
    look_every_s
        How often it looks, in seconds of this computer's own.
    """

    def __init__(self, service: Service, records: Path, reader: Store, look_every_s: float = LOOK_EVERY_S) -> None:
        self._service, self._records, self._reader = service, records, reader
        self._look_every_s = look_every_s
        self._tried_at: datetime | None = None
        self._why = ""
        self._ending = threading.Event()
        self._log = structlog.get_logger("saltern.copying")
        self._thread = threading.Thread(target=self._run, name="copying", daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._ending.set()
        self._thread.join(timeout=CLOSED_WITHIN_S)

    def _run(self) -> None:
        while not self._ending.wait(self._look_every_s):
            try:
                self.look()
            except StorageError as error:
                self._log.error("copying.records", what=error.what, remedy=error.remedy)
            except Exception:  # noqa: BLE001 - one night's fault must not cost all that follow
                self._log.exception("copying.failed")

    def look(self) -> None:
        """Copy if it is time to, and say how old the newest copy is.

        Raises
        ------
        StorageError
            The records cannot be read.
        """
        service, newest = self._service, copied(self._reader)
        config, now = service.config, service.clock.now()
        to = config.records.copy_to
        if to is None:
            return
        waits = self._tried_at is not None and now - self._tried_at < AGAIN_AFTER
        if service.running is None and not waits and is_due(config, newest, now):
            self._tried_at = now
            try:
                newest = copy_records(self._records, Path(to), config.name, now)
            except StorageError as error:
                self._why = f" ({error.what}: {error.where}. {error.remedy})"
                self._log.error("copying.not_copied", what=error.what, where=error.where, remedy=error.remedy)
            else:
                self._tried_at, self._why = None, ""
                self._keep(newest)
        self._say(newest, now)

    def _keep(self, newest: Copied) -> None:
        self._log.info("copying.copied", to=newest.to, determinations=newest.determinations)
        service = self._service

        def act() -> None:
            try:
                keep_copied(service.store, newest)
            except StorageError as error:  # the next night's copy says it again
                self._log.error("copying.not_kept", what=error.what, remedy=error.remedy)

        self._post(act)

    def _say(self, newest: Copied | None, now: datetime) -> None:
        since = newest.at if newest is not None else began(self._reader) or now
        age, why = now - since, self._why
        text = (
            f"the newest copy of the records is {age / timedelta(days=1):.1f} days old{why}"
            if newest is not None
            else f"the records were never copied to records.copy_to{why}"
        )
        alerting, known = self._service.alerting, newest is not None or bool(why)
        self._post(lambda: alerting.stands(known and age > OLD, "copy-old", text))

    def _post(self, act: Posted) -> None:
        try:
            self._service.mailbox.put_for_records(act)
        except BusyError:
            self._log.warning("copying.bench_busy")  # it is said again at the next look


def is_due(config: BenchConfig, newest: Copied | None, now: datetime) -> bool:
    """Return whether a copy is due: none was made since the last time of the night, by the bench's clock."""
    if newest is None:
        return True
    zone = ZoneInfo(config.schedule.time_zone)
    local = now.astimezone(zone)
    night = datetime.combine(local.date(), config.records.copy_at, tzinfo=zone)
    if night > local:
        night = datetime.combine(local.date() - timedelta(days=1), config.records.copy_at, tzinfo=zone)
    return newest.at < night
