"""`saltern daemon`: the service, as systemd runs it."""

import os
import signal
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager, nullcontext, suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:  # a small computer pays seconds for what a command does not use
    from saltern.cli.opening import Opened
    from saltern.ports import Clock
    from saltern.running.deaths import Deaths
    from saltern.running.service import Service
    from saltern.running.supervision import Supervisor

COMMANDS_WITHIN_S = 0.5
"""An idle bench takes up a command so soon."""

SHOWN_AT_ONCE = ("finished", "alert", "devices")
"""Events after which the metrics are written anew."""

SHOWN_EVERY_S = 60.0
"""The status is shown so often at least, by the bench's clock."""

LOOKED_EVERY_S = 0.5


def daemon(
    bench: Annotated[Path | None, typer.Argument(help="Bench file (default: the shipped simulated bench).")] = None,
    pace: Annotated[
        float,
        typer.Option(
            min=0.1, max=10_000.0, help="Factor by which time runs faster than real time. Simulated bench only."
        ),
    ] = 1.0,
) -> None:
    """Run a bench in real time; SIGTERM and SIGINT end it in order, pumps off; SIGHUP takes up a changed bench file."""
    serve(bench, pace)


def _alone(here: "Opened") -> AbstractContextManager[object]:
    del here
    return nullcontext()


def serve(
    bench: Path | None, pace: float, attended: Callable[["Opened"], AbstractContextManager[object]] = _alone
) -> None:
    """Run a bench until it is asked to end; `attended` is entered when its socket answers, and left at the end."""
    from saltern.cli.logs import service_logs
    from saltern.cli.opening import Begun, opened
    from saltern.clock import RealClock
    from saltern.config.paths import runtime_folder
    from saltern.publish.last_word import keep_listeners
    from saltern.publish.outlets import Outlets, outlets
    from saltern.records.opening import open_for_reading
    from saltern.rpc.server import Server
    from saltern.running import deaths
    from saltern.running.copying import Copying
    from saltern.running.remote import Remote
    from saltern.running.shown import Shown
    from saltern.running.supervision import supervisor_of
    from saltern.running.tank_keeping import tank_keeping
    from saltern.running.waking import ClockWaker, RealTimeWaker
    from saltern.running.when_asked import WhenAsked

    signal.signal(signal.SIGHUP, signal.SIG_IGN)  # until there is something to reload
    service_logs()
    supervisor = supervisor_of(os.environ, RealClock())
    runtime = None if bench is None else runtime_folder(bench)
    if runtime is not None:
        wait_after_deaths(deaths.deaths(runtime), supervisor, RealClock())
    reporting: list[Outlets] = []

    @contextmanager
    def outlets_first(begun: Begun) -> Iterator[None]:
        with outlets(begun.config, begun.folder, begun.store, begun.clock, begun.is_alive) as found:
            reporting.append(found)
            yield

    with opened(bench, pace, outlets_first) as here, ExitStack() as beside:
        (out,) = reporting
        service = here.service
        service.idle_s = COMMANDS_WITHIN_S
        reader = open_for_reading(here.records, here.clock)
        beside.callback(reader.close)
        # What a dead pulse thread leaves is of no use: the supervisor starts the service again.
        service.on_scan = lambda: supervisor.alive() if here.wires_live() else None
        remote = Remote(service, reader, here.reload, supervisor.scans)
        signal.signal(signal.SIGHUP, lambda *_: service.mailbox.put(here.reload))
        folder = here.records.parent if bench is None else bench.parent
        if runtime is not None:
            with suppress(OSError):  # what comes of it is reported with the socket
                here.socket.parent.mkdir(exist_ok=True)
        server = Server(here.socket, remote.handlers())
        beside.callback(server.close)

        showing: WhenAsked | None = None
        if out.open:  # what nobody is given is not drawn
            shown = Shown(service, reader, remote.status_now)
            every_s = max(SHOWN_EVERY_S / pace, LOOKED_EVERY_S)
            showing = WhenAsked("showing", lambda: out.update(shown.draw()), every_s)
            beside.callback(showing.close)
        if service.config.records.copy_to is not None:
            copying = Copying(service, here.records, reader, max(SHOWN_EVERY_S / pace, LOOKED_EVERY_S))
            beside.callback(copying.close)

        tank_reader = open_for_reading(here.records, here.clock)
        beside.callback(tank_reader.close)
        tank = tank_keeping(service, tank_reader)
        beside.callback(tank.close)

        def on_event(kind: str, what: dict[str, object]) -> None:  # in the middle of scans: nothing here waits
            server.publish(kind, what)
            if showing is not None and kind in SHOWN_AT_ONCE:
                showing.ask()
            if kind in {"finished", "reloaded"}:
                tank.ask()

        service.on_event = on_event
        waker = ClockWaker(service.look, here.clock) if here.simulated else RealTimeWaker(service.look)
        beside.callback(waker.stop)
        if runtime is not None:
            deaths.opened(runtime)
            keep_listeners(runtime, service.config, folder)
            note_a_death(runtime, service)
        beside.enter_context(attended(here))
        supervisor.ready()
        supervisor.status("The bench is open")
        beside.callback(supervisor.stopping)
        service.run()


def wait_after_deaths(known: "Deaths", supervisor: "Supervisor", clock: "Clock") -> None:
    """Wait the longer the more often the service has died, before anything is opened; systemd is notified and fed.

    Devices that are absent, or a program that dies of what it meets, get no better by being opened every ten seconds.
    """
    if known.pause_s == 0.0:
        return
    text = f"It has died {known.count} times, and opens the bench after {known.pause_s:.0f} s; at once if restarted"
    import structlog

    structlog.get_logger("saltern").warning("service.waits", died=known.count, seconds=known.pause_s)
    supervisor.ready()  # it is started, and as ready as it can be; a start that waits would be killed for it
    supervisor.status(text)
    until_s = clock.monotonic() + known.pause_s
    while (left_s := until_s - clock.monotonic()) > 0.0:
        supervisor.alive()
        clock.sleep(min(LOOKED_EVERY_S, left_s))


def note_a_death(runtime: Path, service: "Service") -> None:
    """Record a death that was worth reporting, and report by every way what could not be reported at its time."""
    from saltern.model.alert import Severity
    from saltern.running import deaths

    known = deaths.deaths(runtime)
    if known.noted or not known.worth_reporting:
        return
    severity = Severity.NOTICE if known.reported else Severity.ERROR
    text = f"the service runs again. Before that: {known.text}"
    service.alerting.once("service-died", text, severity)  # it is over: nothing to repeat
    deaths.keep(runtime, replace(known, noted=True))
