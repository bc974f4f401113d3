"""`saltern daemon`: the service, as systemd runs it."""

import signal
from pathlib import Path
from typing import Annotated

import typer

from saltern.errors import ConfigError


def daemon(
    bench: Annotated[Path | None, typer.Argument(help="Bench file; without one, the default simulated bench.")] = None,
    pace: Annotated[
        float, typer.Option(min=0.1, max=10_000.0, help="Simulated bench only: times faster than real time.")
    ] = 1.0,
) -> None:
    """Run a bench in real time; SIGTERM and SIGINT end it in order, pumps off."""
    from importlib.metadata import entry_points

    from saltern.cli.logs import service_logs
    from saltern.clock import PacedClock, RealClock
    from saltern.config import load_bench, shipped_config
    from saltern.records.store import open_store
    from saltern.service import open_service
    from saltern.waking import ClockWaker, RealTimeWaker

    service_logs()
    path = bench if bench is not None else shipped_config("bench-simulated.toml")
    config = load_bench(path)
    simulated = config.wires == "twin"
    if pace != 1.0 and not simulated:
        raise ConfigError("--pace is for the simulated bench", where=str(path), remedy="Leave it out")
    clock = PacedClock(pace, start=RealClock().now()) if simulated else RealClock()
    (opener,) = entry_points(group="saltern.wires", name=config.wires)
    wires = opener.load()(config.model_dump(), clock)
    records = Path(config.records.path) if bench is None else bench.parent / config.records.path
    store = open_store(records, clock)
    try:
        service = open_service(config, wires, clock, store)
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: service.end())
        waker = ClockWaker(service.look, clock) if simulated else RealTimeWaker(service.look)
        try:
            service.run()
        finally:
            waker.stop()
            service.bench.close()
    finally:
        store.close()
        wires.close()
