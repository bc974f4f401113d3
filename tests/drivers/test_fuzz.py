"""Ten thousand streams of bytes, valid and not, into every driver that reads a serial line.

No hang beyond its time-out, no reading invented, no exception that is not one of ours. A part of them on
every run; all in `make soak`.
"""

import struct
from dataclasses import replace

import pytest
from hypothesis import strategies as st

from saltern.clock import VirtualClock
from saltern.ports import DriverError, Wires
from saltern.testing import VirtualPort
from saltern_drivers import modbus_probe, serial_line
from tests.drivers.test_modbus import crc
from tests.sizes import holds_for

STREAMS = {"examples": 1500, "in_soak": 10_000}


class FuzzedPort(VirtualPort):
    """Answers any question with the chunks it was given, each after its delay."""

    def __init__(self, clock, chunks):
        super().__init__(clock)
        self.chunks = chunks

    def write(self, data):
        at_s = max([self.clock.monotonic(), *(due for due, _ in self.arriving)])  # bytes keep their order on a wire
        for data_, delay_ms in self.chunks:
            at_s += delay_ms / 1000.0
            self.arriving.append((at_s, data_))
        return len(data)


def lines(valid):
    noise = st.binary(max_size=60)
    return st.lists(st.tuples(st.one_of(noise, valid), st.integers(0, 900)), max_size=8)


TEXT = st.one_of(
    st.floats(-900, 900).map(lambda v: f"{v:.3f}\r".encode()),
    st.sampled_from([b"12.5\r", b"\r\r", b"nan\r", b"1e999\r", b"-\r", b"12.5 V\r", b"7.0", b"\xff\r", b"9" * 300]),
)
FRAME = st.one_of(
    st.floats(-50, 50, width=32).map(lambda v: crc([7, 3, 4, *struct.pack(">f", v)])),
    st.binary(min_size=1, max_size=12).map(lambda body: crc([7, *body])),
    st.sampled_from(
        [crc([7, 0x83, 2]), crc([7, 3, 4, 0x7F, 0xC0, 0, 0]), crc([7, 3, 2, 1, 2]), crc([7, 3, 4, 1, 2, 3, 4])[:-1]]
    ),
)


def play(open_probe, chunks, timeout_s):
    """Ask twice; return what was read, having checked that it ended in time."""
    clock = VirtualClock()
    port = FuzzedPort(clock, chunks)
    wires = Wires(clock=clock, pins=None, pulses=None, open_serial=lambda *_, **__: port)
    probe = open_probe(replace(wires, shared={}))
    readings = []
    for _ in range(2):
        began_s = clock.monotonic()
        try:
            probe.request()
            while clock.monotonic() - began_s < timeout_s + 0.3:
                reading = probe.poll()
                if reading is not None:
                    readings.append(reading)
                    break
                clock.sleep(0.05)
            else:
                pytest.fail("it neither read nor said that it cannot")
        except DriverError:
            pass
        assert clock.monotonic() - began_s <= timeout_s + 0.2
    return readings


@holds_for(lines(TEXT), **STREAMS)
def test_lines_of_text(chunks):
    config = serial_line.Config(port="/dev/x", query="R", pattern=r"(?P<value>[-+]?\d+\.\d+)", unit="mV", timeout_s=1.0)
    readings = play(lambda wires: serial_line.open_board(config, wires), chunks, 1.0)
    sent = 2 * b"".join(data for data, _ in chunks)  # the end of a late answer may be the beginning of the next
    for reading in readings:
        assert -2000.0 <= reading.value <= 2000.0
        shown = [f"{reading.value:.{digits}f}".encode() for digits in range(1, 8)]
        assert any(text.lstrip(b"-") in sent for text in shown) or reading.value == 0.0 or len(sent) > 120


@holds_for(lines(FRAME), **STREAMS)
def test_modbus_frames(chunks):
    options = {"port": "/dev/x", "device": 7, "address": 0, "type": "float32", "unit": "degC", "timeout_s": 0.5}
    config = modbus_probe.Config.model_validate(options)
    readings = play(lambda wires: modbus_probe.open_probe(config, wires), chunks, 0.5)
    sent = b"".join(data for data, _ in chunks)
    for reading in readings:
        assert struct.pack(">f", reading.value) in sent or reading.value == 0.0
