"""One Modbus RTU line and the devices on it: frames by pymodbus, bytes polled and never awaited.

A line carries one transaction at a time; devices queue theirs and poll until it is done. What garbles, comes late or
answers another question is never taken for an answer: the transaction fails in its own time, and may be asked again.
A port that is lost is opened again by its name (`serial_port`). What was to make safe and could not be said is the
first thing said then.
"""

import threading
from collections import deque
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from saltern.ports import (
    Clock,
    Connection,
    DeviceSilentError,
    DeviceUnavailableError,
    DriverError,
    MisuseError,
    ReplyError,
    Wires,
    install_extra,
)
from saltern_drivers.serial_port import REMEDY, ReturningPort, open_port

QUIET_S = 0.004  # between frames: 3.5 characters at 9600 baud
SAID_AGAIN_S = 0.3  # what makes safe is waited for so long, when it is said again
SHORTEST_FRAME, LONGEST_FRAME = 5, 256
WRITE_REGISTERS = 16


@dataclass(eq=False)
class Transaction:
    """A question to one device, and what became of it."""

    unit: int
    request: Any  # a pymodbus PDU
    timeout_s: float
    registers: list[int] | None = None
    error: DriverError | None = None
    sent_s: float | None = None
    opening: int = 0  # of the port, in which it was sent
    makes_safe: bool = False

    @property
    def done(self) -> bool:
        return self.registers is not None or self.error is not None


class ModbusLine:
    """A serial port on which one or several Modbus devices hang."""

    def __init__(self, port: ReturningPort, clock: Clock, where: str) -> None:
        from pymodbus.framer import FramerRTU
        from pymodbus.pdu import DecodePDU

        self._port = port
        self._clock = clock
        self.where = where
        self._framer = FramerRTU(DecodePDU(False))
        self._queue: deque[Transaction] = deque()
        self._unsaid: deque[Transaction] = deque()  # what makes safe, and waits for the port to be back
        self._current: Transaction | None = None
        self._received = bytearray()
        self._quiet_until_s = 0.0
        self._writing, self._state = threading.Lock(), threading.Lock()
        self.holders = 0

    def read(self, unit: int, register: int, count: int, *, holding: bool, timeout_s: float) -> Transaction:
        """Queue the reading of some registers."""
        from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadInputRegistersRequest

        kind = ReadHoldingRegistersRequest if holding else ReadInputRegistersRequest
        return self._ask(Transaction(unit, kind(address=register, count=count, dev_id=unit), timeout_s))

    def write(self, unit: int, register: int, values: list[int], *, timeout_s: float) -> Transaction:
        """Queue the writing of some holding registers, all at once."""
        from pymodbus.pdu.register_message import WriteMultipleRegistersRequest

        request = WriteMultipleRegistersRequest(address=register, registers=values, dev_id=unit)
        return self._ask(Transaction(unit, request, timeout_s))

    def write_now(self, unit: int, register: int, values: list[int]) -> None:
        """Write registers at once, from any thread, whatever is under way; the answer is not waited for.

        Raises
        ------
        DeviceUnavailableError
            The port is gone.
        """
        said = _writing(unit, register, values)
        self._send(self._frame_of(said.request))
        with self._state:  # it takes the place of what could not be said before
            self._unsaid = deque(kept for kept in self._unsaid if not _same_registers(kept, said))

    def stop_now(self, unit: int, register: int, values: list[int]) -> None:
        """Write what makes safe, at once and from any thread.

        It never raises: a board behind a lost port ends by itself or by its permit, and is halted as soon as the port
        is back.
        """
        stop = _writing(unit, register, values)
        stop.makes_safe = True
        try:
            self._send(self._frame_of(stop.request))
        except DriverError:
            self._say_later(stop)

    def _say_later(self, stop: Transaction) -> None:
        with self._state:
            if not any(_same_registers(kept, stop) and _same_values(kept, stop) for kept in self._unsaid):
                self._unsaid.append(stop)

    def _frame_of(self, request: Any) -> bytes:
        try:
            return bytes(self._framer.buildFrame(request))
        except Exception as error:
            raise MisuseError(
                f"this cannot be put into a frame ({type(error).__name__}: {error})",
                where=self.where,
                remedy="Check the register map: a register holds 0 to 65535",
            ) from error

    def withdraw(self, transaction: Transaction | None) -> None:
        """Let a transaction that has not been sent yet never be sent; one that has, takes its course."""
        with suppress(ValueError):
            self._queue.remove(transaction)  # type: ignore[arg-type]  # None is in no queue

    def _ask(self, transaction: Transaction) -> Transaction:
        self._queue.append(transaction)
        self.serve()
        return transaction

    def serve(self) -> None:
        """Move bytes: send the next question, take up what came, give up what is overdue. Called by every poll."""
        now_s = self._clock.monotonic()
        if self._current is not None:
            self._take_up(self._current, now_s)
        if self._unsaid and self._is_there():
            with self._state:
                self._queue.extendleft(reversed(self._unsaid))
                self._unsaid.clear()
        if self._current is None and self._queue and now_s >= self._quiet_until_s:
            self._begin(self._queue.popleft(), now_s)

    def _is_there(self) -> bool:
        try:
            self._port.ready()
        except DriverError:
            return False
        return True

    def _begin(self, transaction: Transaction, now_s: float) -> None:
        self._current = transaction
        transaction.sent_s = now_s
        self._received.clear()
        try:
            self._port.reset_input_buffer()
            transaction.opening = self._port.openings
            self._send(self._frame_of(transaction.request))
        except DriverError as error:
            self._finish(transaction, now_s, error=error)

    def _send(self, frame: bytes) -> None:
        with self._writing:
            self._port.write(frame)

    def _take_up(self, transaction: Transaction, now_s: float) -> None:
        try:
            waiting = self._port.in_waiting
            if waiting:
                self._received += self._port.read(waiting)
        except DriverError as error:
            self._finish(transaction, now_s, error=error)
            return
        if transaction.opening != self._port.openings:  # what came, came to somebody else's question
            lost = DeviceUnavailableError("the port was lost and opened again", where=self.where, remedy=REMEDY)
            self._finish(transaction, now_s, error=lost)
            return
        if self._received:
            self._decode(transaction, now_s)
        if not transaction.done and now_s - (transaction.sent_s or 0.0) > transaction.timeout_s:
            came = f"only {bytes(self._received[:20]).hex()}" if self._received else "nothing"
            silent = DeviceSilentError(
                f"{came} came from device {transaction.unit} within {transaction.timeout_s} s",
                where=self.where,
                remedy="Check supply, wires A and B, baud, parity and the device's number",
            )
            self._finish(transaction, now_s, error=silent)

    def _decode(self, transaction: Transaction, now_s: float) -> None:
        """Check what has come, frame by frame: the library takes all there is for one."""
        while self._received and not transaction.done:
            try:
                size = self._frame_size()
                if size == 0 or len(self._received) < size:
                    break
                frame = bytes(self._received[:size])
                del self._received[:size]
                _, pdu = self._framer.handleFrame(frame, transaction.unit, 0)
            except Exception as error:  # noqa: BLE001 - whatever a library makes of garbled bytes is no answer
                self._finish(transaction, now_s, error=self._unreadable(f"{type(error).__name__}: {error}"))
                return
            if pdu is None:  # a wrong checksum: where the next frame begins is not known any more
                self._received.clear()
                return
            if pdu.function_code & 0x80:
                refused = ReplyError(
                    f"device {transaction.unit} refuses what was asked "
                    f"(Modbus exception {getattr(pdu, 'exception_code', 0)})",
                    where=self.where,
                    remedy="Check the register map against the device's manual",
                )
                self._finish(transaction, now_s, error=refused)
            elif _answers(transaction.request, pdu):
                self._finish(transaction, now_s, registers=list(getattr(pdu, "registers", None) or []))
        if len(self._received) > LONGEST_FRAME:
            self._finish(transaction, now_s, error=self._unreadable("more bytes than a frame has"))

    def _frame_size(self) -> int:
        """Return the size of the frame that begins here, 0 while that cannot be known."""
        if len(self._received) < SHORTEST_FRAME:
            return 0
        pdu_class = self._framer.decoder.lookupPduClass(bytes(self._received))
        return int(pdu_class.calculateRtuFrameSize(bytes(self._received))) if pdu_class else len(self._received)

    def _finish(
        self,
        transaction: Transaction,
        now_s: float,
        *,
        registers: list[int] | None = None,
        error: DriverError | None = None,
    ) -> None:
        transaction.registers, transaction.error = registers, error
        if transaction.makes_safe and isinstance(error, DeviceUnavailableError):
            transaction.error = None
            self._say_later(transaction)
        self._current = None
        self._quiet_until_s = now_s + QUIET_S

    def _unreadable(self, what: str) -> ReplyError:
        return ReplyError(
            f"what came is not an answer ({what})",
            where=self.where,
            remedy="Check wires, termination, baud and parity",
        )

    def connection(self) -> Connection:
        """Check whether the port is there, and say what could not be said."""
        found = self._port.connection()
        self.serve()
        return found

    def release(self) -> None:
        """Close the port with the last device that uses it."""
        self.holders -= 1
        if self.holders <= 0:
            self._port.close()


def _answers(request: Any, pdu: Any) -> bool:
    """Return whether this is the answer to that: of a write also by the address that it echoes."""
    if pdu.function_code != request.function_code:
        return False
    return bool(pdu.function_code != WRITE_REGISTERS or pdu.address == request.address)


def _writing(unit: int, register: int, values: list[int]) -> Transaction:
    from pymodbus.pdu.register_message import WriteMultipleRegistersRequest

    request = WriteMultipleRegistersRequest(address=register, registers=values, dev_id=unit)
    return Transaction(unit, request, SAID_AGAIN_S)


def _same_values(one: Transaction, other: Transaction) -> bool:
    return bool(one.request.registers == other.request.registers)


def _same_registers(one: Transaction, other: Transaction) -> bool:
    return one.unit == other.unit and one.request.address == other.request.address


def shared_line(wires: Wires, port: str, baud: int, parity: str) -> ModbusLine:
    """Return the line of a port, opened by the first device that hangs on it; the port may be absent.

    Raises
    ------
    DriverError
        The port's name is one that cannot be, or pymodbus is not installed.
    """
    line = wires.shared.get(f"modbus:{port}")
    if line is None:
        try:
            import pymodbus  # noqa: F401 - asked for here, where its absence can be reported
        except ImportError as error:
            raise DriverError(
                "the pymodbus library is not installed", where=port, remedy=install_extra("modbus")
            ) from error
        opened = open_port(wires, port, baudrate=baud, parity=parity)
        line = wires.shared[f"modbus:{port}"] = ModbusLine(opened, wires.clock, port)
    assert isinstance(line, ModbusLine)  # noqa: S101 - the key says so
    line.holders += 1
    return line
