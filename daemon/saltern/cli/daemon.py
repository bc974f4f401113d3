"""`saltern daemon`: the service, as systemd runs it."""

from pathlib import Path
from typing import Annotated

import typer


def daemon(
    bench: Annotated[Path | None, typer.Argument(help="Bench file; without one, the default simulated bench.")] = None,
    pace: Annotated[
        float, typer.Option(min=0.1, max=10_000.0, help="Simulated bench only: times faster than real time.")
    ] = 1.0,
) -> None:
    """Run a bench in real time; SIGTERM and SIGINT end it in order, pumps off."""
    from saltern.cli.logs import service_logs
    from saltern.cli.opening import opened
    from saltern.waking import ClockWaker, RealTimeWaker

    service_logs()
    with opened(bench, pace) as here:
        service = here.service
        waker = ClockWaker(service.look, here.clock) if here.simulated else RealTimeWaker(service.look)
        try:
            service.run()
        finally:
            waker.stop()
