"""An I2C bus that comes back: the part of smbus2 that drivers use, opened by its number, and again.

A chip that does not answer leaves the bus as it is, and is asked again when somebody wants it. A bus that has gone, or
on which three transfers in a row have failed, is opened again. Every call raises `DeviceUnavailableError` and nothing
else.
"""

import errno
from collections.abc import Callable
from contextlib import suppress

from saltern.ports import Connection, DriverError, I2cBus, Wires
from saltern_drivers.returning import Returning

NO_ANSWER = (errno.EREMOTEIO, errno.ENXIO, errno.EIO, errno.EAGAIN, errno.ETIMEDOUT)
"""What a transfer fails with when a chip does not answer, or another was heard (kernel: i2c/fault-codes)."""

MOST_FAILURES = 3


class ReturningBus:
    """The way to one chip."""

    def __init__(self, wires: Wires, bus: int, address: int) -> None:
        self._address = address
        self._failures = 0
        self.where = f"i2c-{bus} 0x{address:02x}"
        self._bus: Returning[I2cBus] = Returning(
            lambda: wires.open_i2c(bus),
            lambda opened: opened.close(),
            wires,
            self.where,
            "does not answer",
            "Check the chip's supply, its wires and its address",
            self._ends,
        )
        self._bus.begin()

    def read(self, register: int, length: int) -> list[int]:
        """Return some bytes from a register on."""

        def transfer(bus: I2cBus) -> list[int]:
            found = list(bus.read_i2c_block_data(self._address, register, length))
            if len(found) != length:
                raise OSError(errno.EIO, f"{len(found)} bytes of {length} came")
            return found

        return self._use(transfer)

    def write(self, register: int, data: list[int]) -> None:
        """Write some bytes from a register on."""
        self._use(lambda bus: bus.write_i2c_block_data(self._address, register, data))

    def _use(self, transfer: "Callable[[I2cBus], list[int] | None]") -> list[int]:
        answer = self._bus.use(transfer)
        self._failures = 0
        self._bus.worked()
        return answer or []

    def _ends(self, error: Exception) -> bool:
        self._failures += 1
        if isinstance(error, OSError) and error.errno in NO_ANSWER and self._failures < MOST_FAILURES:
            return False
        self._failures = 0
        return True

    def connection(self, register: int, length: int) -> Connection:
        """Ask for a register that may be read at any time, and return whether it was. Never raises."""
        with suppress(DriverError):
            self.read(register, length)
        return self._bus.connection

    def close(self) -> None:
        self._bus.close()
