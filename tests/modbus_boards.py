"""Modbus transmitters for tests: pymodbus's own server side of the framing, and a world behind the registers."""

import struct

from pymodbus.exceptions import ModbusIOException
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU, ExceptionResponse
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersResponse,
    ReadInputRegistersResponse,
    WriteMultipleRegistersResponse,
)

from saltern.testing import VirtualPort

DELAY_S = 0.02


def questions(framer, heard):
    """Yield the questions that came, one after another; what is not a frame is not answered, nor what follows it."""
    while heard:
        try:
            used, asked = framer.handleFrame(heard, 0, 0)
        except ModbusIOException:
            return
        if not used or asked is None:
            return
        heard = heard[used:]
        yield asked


class ModbusBoards(VirtualPort):
    """A serial port with transmitters 1 pH (mV), 2 conductivity (mS/cm), 3 temperature (degC) at its other end."""

    def __init__(self, clock, world):
        super().__init__(clock)
        self.world = world
        self._framer = FramerRTU(DecodePDU(True))

    def value(self, device):
        world = self.world
        world.advance(self.clock.monotonic())
        if device == 1:
            return world.electrode.read()
        if device == 2:
            t = world.temperature_c
            return world.conductivity() / (1.0 + 0.02 * (t - 25.0))
        return world.temperature_reading()

    def write(self, data):
        for asked in questions(self._framer, data):
            words = struct.unpack(">HH", struct.pack(">f", self.value(asked.dev_id)))
            answer = self._framer.buildFrame(ReadInputRegistersResponse(registers=list(words), dev_id=asked.dev_id))
            self.say((DELAY_S, answer))
        return len(data)


class PumpBoard(VirtualPort):
    """A serial port with a pump board at its other end: amount 16-17, start and stop 18, direction 31,
    running 2, count 4-5.

    Its pump turns evenly while its supply is on; it stops by itself. `to_board` and `to_host` may disturb frames.
    """

    def __init__(self, clock, rate, *, counts="ever", device=4):
        super().__init__(clock)
        self.rate, self.counts, self.device = rate, counts, device
        self._framer = FramerRTU(DecodePDU(True))
        self.to_board = self.to_host = lambda data: data
        self.written = []  # what was written, as (address, words)
        self.amount, self.asked, self.began_s, self.before, self.turning = 0, 0, 0.0, 0, False
        self.first_count = 65_530  # so that a 16-bit count wraps
        self.starts_with_amount = self.backward = False
        self.refuses = None  # a register whose writing is refused

    def steps(self):
        """Return how far this motion has come, and let it end."""
        if self.turning:
            done = min(self.asked, int((self.clock.monotonic() - self.began_s) * self.rate))
            if done < self.asked:
                return done
            self.turning, self.last = False, self.asked
        return self.last if self.asked else 0

    def total(self):
        return self.before + self.steps()

    def stop(self):
        self.last = self.steps()
        self.turning = False

    def start(self):
        self.before += self.steps()
        self.asked, self.began_s, self.turning, self.last = self.amount, self.clock.monotonic(), True, 0

    def _count(self):
        steps = self.steps()
        return self.first_count + self.before + steps if self.counts == "ever" else steps

    def _register(self, address):
        count = self._count() & 0xFFFFFFFF
        return {2: int(self.turning), 4: count >> 16, 5: count & 0xFFFF}.get(address, 0)

    def _write(self, address, words):
        self.written.append((address, list(words)))
        if address == 16:
            self.amount = words[0] << 16 | words[1]
            if self.starts_with_amount:
                self.start()
        elif address == 31:
            self.backward = words == [2]
        elif address == 18:
            self.start() if words == [1] else self.stop()

    def _answer(self, asked):
        if asked.function_code == 16:
            if asked.address == self.refuses:
                return ExceptionResponse(16, 4, device_id=self.device)
            self._write(asked.address, asked.registers)
            return WriteMultipleRegistersResponse(address=asked.address, count=asked.count, dev_id=self.device)
        self.steps()
        values = [self._register(asked.address + at) for at in range(asked.count)]
        kind = ReadInputRegistersResponse if asked.function_code == 4 else ReadHoldingRegistersResponse
        return kind(registers=values, dev_id=self.device)

    def write(self, data):
        for asked in questions(self._framer, self.to_board(data)):
            if asked.dev_id == self.device:
                answer = self.to_host(self._framer.buildFrame(self._answer(asked)))
                self.say((DELAY_S, answer))
        return len(data)
