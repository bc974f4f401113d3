"""Opening a bench from its file: clock, wires, records and service, closed again in order."""

import os
import signal
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager, nullcontext, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import entry_points
from pathlib import Path

import structlog

from saltern.bench.devices import validate_devices
from saltern.cli.twin import of_the_twin
from saltern.clock import Clock, PacedClock, RealClock
from saltern.config.loading import load_bench, shipped_config
from saltern.config.paths import records_path, socket_path
from saltern.config.tables import BenchConfig
from saltern.errors import ConfigError, SalternError, StorageError
from saltern.model.alert import Alert, Severity
from saltern.ports import Wires
from saltern.records.opening import open_store
from saltern.records.store import Store
from saltern.records.upkeep import keep_bench_file
from saltern.running.safe_off import Outputs, lists_for, write_everywhere
from saltern.running.service import Service, open_service


@dataclass(frozen=True)
class Opened:
    """A bench ready to run."""

    service: Service
    clock: Clock
    simulated: bool
    records: Path
    socket: Path
    bench_file: Path
    wires: Wires

    def wires_live(self) -> bool:
        """Return whether what the wires need in this process still runs."""
        return self.wires.alive()

    def reload(self) -> list[str]:
        """Take up the bench file as it is now; return what has changed."""
        changed = self.service.reload(load_bench(self.bench_file))
        text = self.bench_file.read_text(encoding="utf-8")
        keep_bench_file(self.service.store, text, self.clock.now())
        return changed


@dataclass
class Begun:
    """A bench whose records are open, and whose devices may not be yet: alerting begins here."""

    file: BenchConfig
    folder: Path  # of its credentials
    store: Store
    clock: Clock
    service: Service | None = None
    asked_to_end: bool = False

    def end(self) -> None:
        """Ask for an orderly end; one that is asked for while devices are being opened comes when they are."""
        self.asked_to_end = True
        if self.service is not None:
            self.service.end()

    def config(self) -> BenchConfig:
        """Return the bench file as it was last taken up."""
        return self.file if self.service is None else self.service.config

    def is_alive(self) -> bool:
        return self.service is not None and self.service.is_alive()

    def not_started(self, error: SalternError) -> None:
        """Keep what kept the devices from opening, once, for every outlet."""
        alert = Alert(self.clock.now(), self.clock.monotonic(), Severity.CRITICAL, "not-started", str(error))
        newest = self.store.rows("SELECT text FROM alert WHERE code = ? ORDER BY id DESC LIMIT 1", (alert.code,))
        if not newest or newest[0]["text"] != alert.text:
            with suppress(StorageError):  # outlets see it all the same
                self.store.keep_alert(alert)


def _nobody(begun: Begun) -> AbstractContextManager[object]:
    del begun
    return nullcontext()


def _paced(pace: float) -> PacedClock:
    """Return a paced clock, which begins as late as a simulated world that outlived its process, by both its times."""
    begins_s, began_at = of_the_twin("begins")(pace)
    start = RealClock().now() if began_at is None else datetime.fromtimestamp(began_at, UTC)
    return PacedClock(pace, start=start, begins_s=begins_s)


@contextmanager
def opened(
    bench: Path | None, pace: float = 1.0, first: Callable[[Begun], AbstractContextManager[object]] = _nobody
) -> Iterator[Opened]:
    """Open the bench of this file, or the default simulated one; afterwards every output is off and all is closed.

    Records come first, then `first`, which may report trouble, then devices. SIGTERM and SIGINT ask the service for an
    orderly end, and stop what moves at the next scan.

    Raises
    ------
    SalternError
        With everything that keeps it from opening.
    """
    path = bench if bench is not None else shipped_config("bench-simulated.toml")
    config = load_bench(path)
    simulated = config.wires == "twin"
    if pace != 1.0 and not simulated:
        raise ConfigError("--pace is for the simulated bench", where=str(path), remedy="Leave it out")
    clock = _paced(pace) if simulated else RealClock()
    place = Path(path.name) if bench is None else bench  # the default bench keeps its things in the working folder
    records, socket = records_path(config, place), socket_path(config, place)
    store = open_store(records, clock)
    lists, reporting = ExitStack(), ExitStack()
    begun = Begun(config, records.parent if bench is None else bench.parent, store, clock)
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: begun.end())
    try:
        reporting.enter_context(first(begun))
        try:
            keep_bench_file(store, path.read_text(encoding="utf-8"), clock.now())
        except StorageError as error:  # a full disk keeps no bench from starting: it has its alert
            structlog.get_logger("saltern").error("bench_file.not_kept", what=error.what, remedy=error.remedy)
        (opener,) = entry_points(group="saltern.wires", name=config.wires)
        wires = opener.load()(config.model_dump(), clock)
        try:
            try:
                lines = [line for _, driver, options in validate_devices(config) for line in driver.outputs(options)]
                outputs = Outputs(config.wires, tuple(lines), os.getpid(), str(socket.absolute()))
                for failure in write_everywhere(lists_for(place, records, config.name), outputs, lists):
                    structlog.get_logger("saltern").warning("outputs.not_everywhere", what=str(failure))
                service = begun.service = open_service(config, wires, clock, store)
            except SalternError as error:
                begun.not_started(error)
                raise
            if begun.asked_to_end:
                service.end()
            try:
                yield Opened(service, clock, simulated, records, socket, path, wires)
            finally:
                service.bench.close()
        finally:
            wires.close()
    finally:
        lists.close()
        reporting.close()
        store.close()
