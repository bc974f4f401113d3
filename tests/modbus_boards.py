"""Modbus transmitters for tests: pymodbus's own server side of the framing, and a world behind the registers."""

import struct

from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU
from pymodbus.pdu.register_message import ReadInputRegistersResponse

DELAY_S = 0.02


class ModbusBoards:
    """A serial port with transmitters 1 pH (mV), 2 conductivity (mS/cm), 3 temperature (degC) at its other end."""

    def __init__(self, clock, world):
        self.clock, self.world = clock, world
        self._framer = FramerRTU(DecodePDU(True))
        self._arriving, self._ready = [], b""

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
        _, asked = self._framer.handleFrame(data, 0, 0)
        words = struct.unpack(">HH", struct.pack(">f", self.value(asked.dev_id)))
        answer = self._framer.buildFrame(ReadInputRegistersResponse(registers=list(words), dev_id=asked.dev_id))
        self._arriving.append((self.clock.monotonic() + DELAY_S, answer))
        return len(data)

    @property
    def in_waiting(self):
        now_s = self.clock.monotonic()
        self._ready += b"".join(data for due, data in self._arriving if due <= now_s)
        self._arriving = [(due, data) for due, data in self._arriving if due > now_s]
        return len(self._ready)

    def read(self, size=1):
        part, self._ready = self._ready[:size], self._ready[size:]
        return part

    def reset_input_buffer(self):
        assert self.in_waiting >= 0
        self._ready = b""

    def close(self):
        pass
