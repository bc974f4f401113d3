"""`saltern daemon`: the service, as systemd runs it."""

from pathlib import Path
from typing import Annotated

import typer

COMMANDS_WITHIN_S = 0.5
"""An idle bench takes up a command so soon."""


def daemon(
    bench: Annotated[Path | None, typer.Argument(help="Bench file; without one, the default simulated bench.")] = None,
    pace: Annotated[
        float, typer.Option(min=0.1, max=10_000.0, help="Simulated bench only: times faster than real time.")
    ] = 1.0,
) -> None:
    """Run a bench in real time; SIGTERM and SIGINT end it in order, pumps off."""
    from saltern.cli.logs import service_logs
    from saltern.cli.opening import opened
    from saltern.records.store import open_for_reading
    from saltern.remote import Remote
    from saltern.rpc.server import Server
    from saltern.waking import ClockWaker, RealTimeWaker

    service_logs()
    with opened(bench, pace) as here:
        service = here.service
        service.idle_s = COMMANDS_WITHIN_S
        reader = open_for_reading(here.records, here.clock)
        server = Server(here.socket, Remote(service, reader).handlers())
        service.on_event = server.publish
        waker = ClockWaker(service.look, here.clock) if here.simulated else RealTimeWaker(service.look)
        try:
            service.run()
        finally:
            waker.stop()
            server.close()
            reader.close()
