"""What the judge hears and reads: an outlet that writes down what it is given, and the records as a file.

Neither asks the service anything. An outlet is handed the records' queue of alerts when a process starts, as every
outlet is; the file is opened by its path, and only read.
"""

import sqlite3
from contextlib import suppress
from dataclasses import dataclass, field
from math import inf
from pathlib import Path
from typing import Any, Protocol

MANY = 10_000


class GivesAlerts(Protocol):
    """What an outlet is opened with."""

    def alerts_after(self, number: int, limit: int) -> list[tuple[int, Any]]: ...


@dataclass
class HeardOutlet:
    """Writes down when it was given which code; it is opened anew with each process and ends with it."""

    heard: list[tuple[float, str]] = field(default_factory=list)
    _from: GivesAlerts | None = None
    _number: int = 0

    def open(self, gives: GivesAlerts) -> None:
        """Go on where the process before ended: what that one kept and nobody was given comes now.

        What it had raised and not kept has died with it, and its numbers are given anew.
        """
        self._from = gives
        kept = gives.alerts_after(0, MANY)
        self._number = min(self._number, kept[-1][0] if kept else 0)

    def close(self) -> None:
        self._from = None

    def ask(self, now_s: float) -> None:
        """Take what is new."""
        if self._from is None:
            return
        for number, alert in self._from.alerts_after(self._number, MANY):
            self._number = number
            self.heard.append((now_s, str(alert.code)))

    def between(self, from_s: float, until_s: float) -> set[str]:
        """Return the codes that came in a time."""
        return {code for at_s, code in self.heard if from_s <= at_s <= until_s}


@dataclass(frozen=True)
class Promise:
    """A row of the ledger: the most that the vessel may hold, and what was under way."""

    number: int = 0
    vessel_high_ml: float = inf
    stage: str | None = None


@dataclass
class RecordsFile:
    """The database, read as a file. What cannot be read now is None, and says nothing."""

    path: Path
    _connection: sqlite3.Connection | None = None
    _inode: int = -1
    _version: int = -1
    trouble: str = ""  # why it could not be read when it was last asked

    def changed(self) -> bool:
        """Return whether another connection has committed since this was last asked, or it cannot be read."""
        found = self.rows("PRAGMA data_version")
        version = found[0]["data_version"] if found else -1
        seen, self._version = self._version, version
        return version == -1 or version != seen

    def close(self) -> None:
        if self._connection is not None:
            self._connection.close()
        self._connection, self._version = None, -1

    def rows(self, query: str) -> list[dict[str, Any]] | None:
        """Return what a query finds, or None where the file cannot be read."""
        try:
            inode = self.path.stat().st_ino
            if self._connection is None or inode != self._inode:
                self.close()
                # Not mode=ro: such a connection cannot share the index of a write-ahead log that needs a recovery.
                self._connection = sqlite3.connect(f"file:{self.path}?mode=rw", uri=True, isolation_level=None)
                self._connection.execute("PRAGMA query_only = ON")
                self._connection.row_factory = sqlite3.Row
                self._inode = inode
            found = [dict(row) for row in self._connection.execute(query)]
        except (OSError, sqlite3.Error) as error:
            self.trouble = repr(error)
            with suppress(sqlite3.Error):
                self.close()
            return None
        self.trouble = ""
        return found

    def promise(self) -> Promise | None:
        """Return the newest row of the ledger."""
        found = self.rows("SELECT id, vessel_high_ml, stage FROM ledger ORDER BY id DESC LIMIT 1")
        if not found:
            return None
        return Promise(found[0]["id"], found[0]["vessel_high_ml"], found[0]["stage"])

    def results(self) -> list[dict[str, Any]] | None:
        """Return every result, oldest first."""
        return self.rows(
            "SELECT id, source, started_monotonic_s, finished_monotonic_s, ph_read_monotonic_s, alkalinity_umol_kg,"
            " alkalinity_u_umol_kg, alkalinity_verdict, alkalinity_reasons, ph_total, ph_total_u, ph_total_verdict,"
            " salinity, salinity_u, salinity_verdict FROM determination ORDER BY id"
        )

    def latches(self) -> list[dict[str, Any]] | None:
        """Return every trip that was ever latched."""
        return self.rows("SELECT id, interlock, cleared_utc FROM latch ORDER BY id")

    def set_aside(self) -> set[int]:
        """Return the numbers of results that the records have set aside."""
        found = self.rows("SELECT row_id FROM set_aside WHERE table_name = 'determination'")
        return {row["row_id"] for row in found or []}
