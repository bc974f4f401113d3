"""`saltern daemon`: the service, as systemd runs it."""

import os
import signal
from contextlib import ExitStack
from pathlib import Path
from typing import Annotated

import typer

COMMANDS_WITHIN_S = 0.5
"""An idle bench takes up a command so soon."""

SHOWN_AT_ONCE = ("finished", "alert", "devices")
"""Events after which the metrics are written anew."""


def daemon(
    bench: Annotated[Path | None, typer.Argument(help="Bench file; without one, the default simulated bench.")] = None,
    pace: Annotated[
        float, typer.Option(min=0.1, max=10_000.0, help="Simulated bench only: times faster than real time.")
    ] = 1.0,
) -> None:
    """Run a bench in real time; SIGTERM and SIGINT end it in order, pumps off; SIGHUP takes up a changed bench file."""
    from saltern.cli.logs import service_logs
    from saltern.cli.opening import opened
    from saltern.publish.outlets import outlets
    from saltern.records.store import open_for_reading
    from saltern.remote import Remote
    from saltern.rpc.server import Server
    from saltern.supervision import supervisor_of
    from saltern.waking import ClockWaker, RealTimeWaker

    service_logs()
    with opened(bench, pace) as here, ExitStack() as beside:
        service = here.service
        service.idle_s = COMMANDS_WITHIN_S
        reader = open_for_reading(here.records, here.clock)
        beside.callback(reader.close)
        supervisor = supervisor_of(os.environ, here.clock)
        # What a dead pulse thread leaves is of no use: the supervisor starts the service again.
        service.bench.guard.scanned = lambda: supervisor.alive() if here.wires_live() else None
        remote = Remote(service, reader, here.reload)
        signal.signal(signal.SIGHUP, lambda *_: service.mailbox.put(here.reload))
        folder = here.records.parent if bench is None else bench.parent
        out = beside.enter_context(outlets(lambda: service.config, folder, service.store, here.clock, service.is_alive))
        server = Server(here.socket, remote.handlers())
        beside.callback(server.close)

        def on_event(kind: str, what: dict[str, object]) -> None:
            server.publish(kind, what)
            if kind in SHOWN_AT_ONCE:
                out.update(remote.status_now())

        service.on_event = on_event
        out.update(remote.status())
        waker = ClockWaker(service.look, here.clock) if here.simulated else RealTimeWaker(service.look)
        beside.callback(waker.stop)
        supervisor.ready()
        beside.callback(supervisor.stopping)
        service.run()
