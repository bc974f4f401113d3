"""A serial port that comes back: the part of pyserial that drivers use, opened by its stable name, and again.

Every call raises `DeviceUnavailableError` and nothing else. Bytes that waited from before an opening are thrown away;
`openings` says how often it was opened, so that a driver asks again who is at its other end.
"""

from contextlib import suppress
from typing import Any

from saltern.ports import Connection, DriverError, SerialPort, Wires
from saltern_drivers.returning import Returning

WRITTEN_WITHIN_S = 0.25
"""What the kernel has not taken by then it does not take: the port is given up, and opened again.

pyserial 3.5 looks at the clock after it has written, too: a computer that stalls for so long in the middle of a write
loses its port, though every byte has gone out. Half of a permit's time is the most that a control thread may wait.
"""

REMEDY = "Check the cable and the board's supply"


class ReturningPort:
    """One port. `settings` are pyserial's."""

    def __init__(self, wires: Wires, name: str, **settings: Any) -> None:
        def opened() -> SerialPort:
            port = wires.open_serial(name, timeout=0, write_timeout=WRITTEN_WITHIN_S, exclusive=True, **settings)
            try:
                port.reset_input_buffer()
            except Exception:
                port.close()
                raise
            return port

        self.name = name
        self._port = Returning(opened, lambda port: port.close(), wires, name, "the port failed", REMEDY)

    def begin(self) -> None:
        """Open it for the first time; see `Returning.begin`."""
        self._port.begin()

    @property
    def openings(self) -> int:
        """How often it was opened."""
        return self._port.openings

    def ready(self) -> None:
        """Open it if that is due, and move no bytes."""
        self._port.ready()

    @property
    def in_waiting(self) -> int:
        return self._port.use(lambda port: port.in_waiting)

    def read(self, size: int = 1) -> bytes:
        found = self._port.use(lambda port: port.read(size))
        if found:
            self._port.worked()
        return found

    def write(self, data: bytes, /) -> None:
        self._port.use(lambda port: port.write(data))

    def reset_input_buffer(self) -> None:
        self._port.use(lambda port: port.reset_input_buffer())

    def connection(self) -> Connection:
        """Check whether the other end is there; asks the port, and not the board. Never raises."""
        with suppress(DriverError):
            self._port.use(lambda port: port.in_waiting)
        return self._port.connection

    def close(self) -> None:
        self._port.close()


def open_port(wires: Wires, name: str, **settings: Any) -> ReturningPort:
    """Return a port by its stable name, whether it is there now or not.

    Raises
    ------
    DriverError
        Its name is one that changes with the order of plugging in, or these wires have no such ports.
    """
    port = ReturningPort(wires, name, **settings)
    port.begin()
    return port
