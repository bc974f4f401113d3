"""`saltern report-death`: what systemd runs when a service has ended, after its outputs are low."""

import os
import sys
import threading
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:  # a small computer pays seconds for what a command does not use
    from saltern.running.deaths import Deaths

REPORTED_WITHIN_S = 20.0
"""A way of alert that hangs keeps the next start waiting no longer."""

OFTEN = 4
"""From so many deaths on, somebody must come."""

CAUSES = {
    "watchdog": "its control loop hung, and it was killed",
    "timeout": "it did not start or stop in its time, and was killed",
    "oom-kill": "the computer had no memory left for it",
    "resources": "the computer could not give it what its unit asks for",
    "protocol": "it ended before it was ready",
}
"""By $SERVICE_RESULT of systemd.exec(5); the others are reported with the signal or exit code."""


def report_death(
    instance: Annotated[str, typer.Option(help="Installed bench whose service has ended.", show_default=False)],
) -> None:
    """Count and report the death of a service. Its systemd unit calls this after safe-off."""
    from saltern.config.paths import bench_file_of, runtime_of
    from saltern.errors import ConfigError
    from saltern.running.deaths import deaths, died, forget, keep, outputs_are_low

    bench_file, folder = bench_file_of(instance), runtime_of(instance)
    result = os.environ.get("SERVICE_RESULT")
    if result is None:
        raise ConfigError(
            "SERVICE_RESULT is not set",
            where="report-death",
            remedy="This is for ExecStopPost= of a unit. To try the ways of alert, say: saltern alert test",
        )
    low = outputs_are_low(folder)
    if result == "success" and low:
        forget(folder)
        return
    before = deaths(folder)
    known = replace(before, reported=False, noted=False) if result == "success" else died(folder)
    text = sentence(instance, os.environ, known.count, known.pause_s, low=low)
    known = replace(known, text=text, low=low)
    keep(folder, known)
    sys.stderr.write(f"{text}\n")
    if known.worth_reporting or (before.low and not low):
        urgent = not low or known.count >= OFTEN
        within(REPORTED_WITHIN_S, lambda: _report(bench_file, folder, known, urgent=urgent))


def sentence(instance: str, environment: Mapping[str, str], count: int, pause_s: float, *, low: bool) -> str:
    """Return what has happened, in words for the keeper."""
    from saltern.config.paths import unit_of

    result, status = environment["SERVICE_RESULT"], environment.get("EXIT_STATUS", "?")
    cause = CAUSES.get(result)
    if cause is None:
        killed = environment.get("EXIT_CODE") in ("killed", "dumped")
        cause = f"it was ended by the signal {status}" if killed else f"it ended with exit code {status}"
    outputs = (
        "Its outputs are low."
        if low
        else "ITS OUTPUTS COULD NOT BE TAKEN LOW, and a pump may be on: take the bench off its supply."
    )
    if result == "success":
        return f"The service of {instance} was stopped. {outputs}"
    again = "It starts again by itself" + (f" and opens the bench after {pause_s:.0f} s." if pause_s else ".")
    times = f" It has died {count} times without working for an hour." if count > 1 else ""
    return (
        f"The service of {instance} has died: {cause}. {outputs}{times} {again} "
        f"To see why: journalctl -u {unit_of(instance)}"
    )


def _report(bench_file: Path, folder: Path, known: "Deaths", *, urgent: bool) -> None:
    """Send it by the addresses of the bench file, whatever else in that file is wrong."""
    import time
    from datetime import UTC, datetime

    from saltern.model.alert import Alert, Severity
    from saltern.publish.last_word import listeners
    from saltern.publish.notify import addresses_of, sent
    from saltern.running.deaths import keep

    who, now = listeners(folder, bench_file), datetime.now(UTC)
    if who.sleeping(now) and not urgent:
        sys.stderr.write("These are quiet hours: the next start reports it when they are over.\n")
        return
    addresses = addresses_of(who.addresses, "alerts.urls_file")
    alert = Alert(now, time.monotonic(), Severity.CRITICAL if urgent else Severity.ERROR, "service-died", known.text)
    if len(addresses) == 0:
        sys.stderr.write("The bench file names nobody to alert: set [alerts] urls_file.\n")
    elif sent(addresses, who.bench, alert):
        keep(folder, replace(known, reported=True))
        sys.stderr.write("The keeper was alerted.\n")
    else:
        sys.stderr.write("The keeper could not be alerted: not every address took it.\n")


def within(seconds: float, act: Callable[[], None]) -> None:
    """Do it, and end this process by then, whatever it waits for."""
    failed: list[BaseException] = []

    def do() -> None:
        try:
            act()
        except Exception as error:  # noqa: BLE001 - whatever a library makes of an address, the count stands
            failed.append(error)

    thread = threading.Thread(target=do, daemon=True)
    thread.start()
    thread.join(seconds)
    if failed:
        sys.stderr.write(f"The keeper could not be alerted: {failed[0]}\n")
    elif thread.is_alive():
        sys.stderr.write(f"The keeper could not be alerted within {seconds:.0f} s.\n")
        sys.stderr.flush()
        os._exit(0)
