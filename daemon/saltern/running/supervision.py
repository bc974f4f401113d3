"""Reporting to systemd that the service is ready, alive, stopping: the notify protocol of sd_notify(3).

Alive means that the control thread scans. Nothing else feeds the watchdog: not storage, not the network, not a probe.
"""

import os
import socket
import time
from collections.abc import Mapping

from saltern.ports import Clock

FED_PER_PERIOD = 3.0
SCANS_WITHIN_S = 20.0
"""Time of this machine, in which a control thread that lives has scanned; the watchdog's limit is not far above it."""


class Supervisor:
    """The other end of `NOTIFY_SOCKET`; without one, every call does nothing.

    Parameters
    ----------
    address
        Of the socket; a leading ``@`` means the abstract namespace. None: nobody supervises.
    period_s
        The watchdog's; None: there is no watchdog.
    clock
        Monotonic time.
    """

    def __init__(self, address: str | None, period_s: float | None, clock: Clock) -> None:
        self._address = address.replace("@", "\0", 1) if address else None
        self._every_s = None if period_s is None else period_s / FED_PER_PERIOD
        self._clock = clock
        self._fed_s: float | None = None
        self._scanned_s = time.monotonic()

    def ready(self) -> None:
        self._send("READY=1")

    def stopping(self) -> None:
        self._send("STOPPING=1")

    def status(self, text: str) -> None:
        """Say what the service does, for `systemctl status`."""
        self._send(f"STATUS={text}")

    def scans(self) -> bool:
        """Return, to any thread, whether `alive` was called lately."""
        return time.monotonic() - self._scanned_s < SCANS_WITHIN_S

    def alive(self) -> None:
        """Feed the watchdog, if it is time; called with every scan, in the control thread."""
        self._scanned_s = time.monotonic()
        if self._every_s is None:
            return
        now_s = self._clock.monotonic()
        if self._fed_s is None or now_s - self._fed_s >= self._every_s:
            self._fed_s = now_s
            self._send("WATCHDOG=1")

    def _send(self, state: str) -> None:
        if self._address is None:
            return
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK) as line:
                line.sendto(state.encode(), self._address)
        except OSError:
            return  # a supervisor that does not listen is no reason to stop; one that misses us restarts us


def supervisor_of(environment: Mapping[str, str], clock: Clock) -> Supervisor:
    """Return the supervisor that started this process, by the environment that it set."""
    period_us, pid = environment.get("WATCHDOG_USEC"), environment.get("WATCHDOG_PID")
    meant = period_us is not None and period_us.isdigit() and (pid is None or pid == str(os.getpid()))
    period_s = int(period_us) / 1e6 if meant and period_us is not None else None
    return Supervisor(environment.get("NOTIFY_SOCKET"), period_s, clock)
