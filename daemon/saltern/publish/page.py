"""A page for the telephone, and one for a sitter: written into a folder, or served on the keeper's own network.

    [outlets.page]
    folder = "page"            # in the records' folder, or an absolute path; any web server serves it
    call = "Ines, 0123 456"    # what a sitter reads beside "Call me"
    address = "192.168.1.20"   # with it the bench serves the page by itself, read-only, to the keeper's own network
    port = 8020

The folder holds `index.html`, `sitter.html` and `alkalinity.png`; each is replaced whole. An installed service may
write to its own folder alone: for another one its unit needs `ReadWritePaths=` (systemd.exec).
"""

import threading
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime, timedelta
from errno import EADDRNOTAVAIL
from ipaddress import ip_address
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import structlog
from pydantic import Field, field_validator, model_validator

from saltern.config.tables import BenchConfig, Table
from saltern.errors import ConfigError, StorageError
from saltern.publish.outlet import OutletKind, Rounds, Surroundings
from saltern.publish.page_server import PageServer
from saltern.publish.tank_now import last_days, reading, tank_now
from saltern.records.store import Store
from saltern.report.standing import Reason, Standing, gravest_first, reasons

OUTLET = "page"
LOOK_EVERY_S, AFTER_FAILURE_S = 1.0, 30.0
WRITTEN_EVERY_S = 900.0
CLOSED_WITHIN_S = 10.0
READABLE_BY_A_WEB_SERVER, ENTERED_BY_A_WEB_SERVER = 0o644, 0o755
FOLDER_REMEDY = (
    "Make the folder, writable for the service's user; for an installed service give its unit ReadWritePaths= for it"
)
INDEX, SITTER, PICTURE = "index.html", "sitter.html", "alkalinity.png"


class Page(Table):
    """A page for the telephone and one for a sitter; anyone who reaches them may read them, and nobody can command."""

    folder: str | None = Field(default=None, description="written into it, in the records' folder if not absolute")
    call: str = Field(default="the keeper", min_length=1, max_length=120, description="whom a sitter calls, and how")
    address: str | None = Field(
        default=None, description="serve it here: 127.0.0.1, or this computer's own address in your network"
    )
    port: int = Field(default=8020, ge=1, le=65535)
    names: tuple[str, ...] = Field(default=(), description="host names by which browsers may ask, beside the address")
    good_for_min: float = Field(default=90.0, ge=20, le=1440, description="a page older than this calls itself old")

    @field_validator("address")
    @classmethod
    def _of_the_house(cls, address: str | None) -> str | None:
        if address is None:
            return None
        try:
            given = ip_address(address)
        except ValueError as error:
            msg = f"{address!r} is not an IP address: give 127.0.0.1, or this computer's own address"
            raise ValueError(msg) from error
        if given.is_unspecified or given.is_multicast or not (given.is_private or given.is_link_local):
            msg = f"{address} is not an address of a private network: the page is not for the Internet"
            raise ValueError(msg)
        return address

    @model_validator(mode="after")
    def _somewhere(self) -> "Page":
        if self.folder is None and self.address is None:
            msg = "give folder, address, or both: without one the page is not visible"
            raise ValueError(msg)
        return self


@dataclass(frozen=True)
class Sheets:
    """The files of the page, by name."""

    files: dict[str, bytes]


class PageOutlet:
    """Draws the page after every result and whenever something changes, and at least each quarter of an hour.

    Parameters
    ----------
    config, around
        The table of the page, and what an outlet is opened with.

    A folder that is not there yet, or an address that this computer does not have yet, keeps no bench from measuring:
    both are tried again, and the page that is there calls itself old meanwhile.

    Raises
    ------
    ConfigError
        The port is taken.
    ImportError
        matplotlib is not installed.
    """

    def __init__(self, config: Page, around: Surroundings) -> None:
        import matplotlib as mpl  # asked here, and not at the first result

        del mpl
        self._config, self._around = config, around
        self._folder = None if config.folder is None else Path(around.store.where).parent / config.folder
        self._log = structlog.get_logger("saltern.page")
        self._lock = threading.Lock()
        self._status: dict[str, Any] | None = None
        self._drawn: tuple[object, float] | None = None  # what it showed, and when
        self._closing = ExitStack()
        self._server: PageServer | None = None
        self._serve()
        self._rounds = Rounds(OUTLET, self._look, LOOK_EVERY_S, AFTER_FAILURE_S, at_end=self._say_goodbye)
        self._rounds.start()

    def update(self, status: dict[str, Any]) -> None:
        """Take over the newest status; it is drawn in a thread of its own."""
        with self._lock:
            self._status = status

    def close(self) -> None:
        self._rounds.close(CLOSED_WITHIN_S)
        self._closing.close()

    def _serve(self) -> bool:
        """Begin to serve, where that is asked for; return whether it is so.

        Raises
        ------
        ConfigError
            The port is taken.
        """
        address = self._config.address
        if address is None or self._server is not None:
            return True
        try:
            self._server = PageServer(address, self._config.port, self._config.names)
        except ConfigError as error:
            if getattr(error.__cause__, "errno", None) != EADDRNOTAVAIL:
                raise
            self._log.warning("page.not_served_yet", what=error.what, where=error.where, remedy=error.remedy)
            return False
        self._closing.callback(self._server.close)
        self._drawn = None
        return True

    def _look(self) -> bool:
        served = self._serve()
        with self._lock:
            status = self._status
        if status is None:
            return served
        alive = self._around.is_alive()
        shows, now_s = _what_changes(status, alive), self._around.clock.monotonic()
        if self._drawn is not None and self._drawn[0] == shows and now_s - self._drawn[1] < WRITTEN_EVERY_S:
            return served
        try:
            went = self._show(status, alive=alive)
        except StorageError as error:  # records that cannot be read have an alert of their own
            self._log.error("page.records", what=error.what, remedy=error.remedy)
            went = False
        self._drawn = (shows, now_s) if went else None
        return went and served

    def _say_goodbye(self) -> bool:
        """Say that nothing comes any more: an old page that says "all well" would be wrong."""
        if self._status is None:
            return True
        ended = Reason(Standing.LOOK, "the service was stopped, and reports nothing", "Start it again")
        return self._show(self._status, alive=True, also=[ended])

    def _show(self, status: dict[str, Any], *, alive: bool, also: list[Reason] | None = None) -> bool:
        config, now = self._around.current(), self._around.clock.now()
        with reading(self._around.store, self._around.clock) as store:
            sheets = drawn(self._config, config, store, status, now, alive=alive, also=also or [])
        if self._server is not None:
            self._server.show(sheets.files)
        return self._folder is None or self._written(self._folder, sheets)

    def _written(self, folder: Path, sheets: Sheets) -> bool:
        try:
            if not folder.is_dir():
                folder.mkdir()
                folder.chmod(ENTERED_BY_A_WEB_SERVER)
            for name, content in sheets.files.items():
                partial = folder / f".{name}.partial"
                partial.write_bytes(content)
                partial.chmod(READABLE_BY_A_WEB_SERVER)
                partial.replace(folder / name)
        except OSError as error:  # a full disk must not cost a determination
            self._log.error("page.not_written", where=str(folder), reason=error.strerror, remedy=FOLDER_REMEDY)
            return False
        return True


def drawn(
    page: Page,
    config: BenchConfig,
    store: Store,
    status: dict[str, Any],
    now: datetime,
    *,
    alive: bool,
    also: list[Reason],
) -> Sheets:
    """Return the files of the page.

    Parameters
    ----------
    page, config
        The table of the page, and the bench file.
    store
        Records that are open for reading.
    status
        As outlets are given it.
    now
        When it is.
    alive
        Whether the bench's control loop runs.
    also
        What is not well beside what the status says.
    """
    from saltern.report.charts import as_png, as_svg
    from saltern.report.today import Today, html, sitter_html

    zone, tank = ZoneInfo(config.schedule.time_zone), tank_now(store)
    figure = last_days(store, config, tank.results, now)
    found = reasons(status, tank.newest, now, alive=alive, no_result_h=config.alerts.no_result_h)
    today = Today(
        config.name,
        now,
        zone,
        now + timedelta(minutes=page.good_for_min),
        tank.newest,
        status,
        gravest_first([*also, *found]),
        as_svg(figure, label="Alkalinity of the last three days"),
        page.call,
    )
    return Sheets(
        {
            PICTURE: as_png(figure),
            SITTER: sitter_html(today).encode(),
            INDEX: html(today).encode(),
        }
    )


def _what_changes(status: dict[str, Any], alive: bool) -> object:
    """Return what of a status is worth a new page at once."""
    last = status["last"]
    return (
        alive,
        None if last is None else last["id"],
        tuple((alert["code"], alert["for_the_keeper"]) for alert in status["alerts"]),
        tuple(row["name"] for row in status["interlocks"]),
        status["parked"],
        status["running"] is None,
        None if status["away"] is None else status["away"]["until_utc"],
    )


KIND = OutletKind(PageOutlet, Page, extra="report")
