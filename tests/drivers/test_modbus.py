"""Modbus probes: conversations used up to their end, several on one line, and pymodbus's own simulator over a pty."""

import asyncio
import os
import pty
import select
import threading
from contextlib import contextmanager, suppress
from dataclasses import replace

import pytest

from saltern.clock import RealClock
from saltern.ports import DeviceSilentError, DeviceUnavailableError, ReplyError, Wires
from saltern.testing import ScriptedPort, wait_for
from saltern_drivers import modbus_probe
from saltern_drivers.gpio_lines import open_serial
from tests.processes import until


def crc(body):
    value = 0xFFFF
    for byte in body:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ 0xA001 if value & 1 else value >> 1
    return bytes(body) + bytes([value & 0xFF, value >> 8])


ASK = crc([7, 3, 0, 0, 0, 1])
ANSWER = crc([7, 3, 2, 0x0A, 0x28])  # 2600


@pytest.fixture
def probe(wires, clock):
    def make(conversation, **changes):
        port = ScriptedPort(clock, conversation)
        options = {"port": "/dev/x", "device": 7, "address": 0, "scale": 0.01, "unit": "degC", **changes}
        config = modbus_probe.Config.model_validate(options)
        return modbus_probe.open_probe(config, replace(wires, open_serial=lambda *_, **__: port)), port

    return make


def test_registers_become_a_reading(probe, clock):
    device, port = probe([(ASK, [(0.02, ANSWER[:3]), (0.08, ANSWER[3:])])])
    device.request()
    reading = wait_for(device, clock)

    assert (reading.value, reading.unit) == (pytest.approx(26.0), "degC")
    assert port.conversation == []


@pytest.mark.parametrize(
    ("type_", "order", "registers", "value"),
    [
        ("int16", "high-first", [0xFFFE], -2.0),
        ("uint32", "high-first", [0x0001, 0x0000], 65536.0),
        ("int32", "low-first", [0xFFFF, 0xFFFF], -1.0),
        ("float32", "high-first", [0x41C8, 0x0000], 25.0),  # IEEE 754: 25.0 is 0x41C80000
        ("float32", "low-first", [0x0000, 0x41C8], 25.0),
    ],
)
def test_every_type_and_word_order(probe, clock, type_, order, registers, value):
    data = b"".join(word.to_bytes(2, "big") for word in registers)
    ask, answer = crc([7, 3, 0, 0, 0, len(registers)]), crc([7, 3, len(data), *data])
    device, _ = probe([(ask, [(0.02, answer)])], type=type_, word_order=order, scale=1.0, unit="mV", highest=1e6)
    device.request()
    if value > 2000.0:
        assert wait_for(device, clock).value == value
    else:
        assert wait_for(device, clock).value == pytest.approx(value)


@pytest.mark.parametrize(
    ("answer", "error", "words"),
    [
        (b"", DeviceSilentError, "nothing came"),
        (ANSWER[:4], DeviceSilentError, "only"),
        (ANSWER[:-1] + b"\x00", DeviceSilentError, "within"),  # a wrong checksum is no answer
        (crc([7, 0x83, 2]), ReplyError, "exception 2"),
        (crc([7, 3, 2, 0x7F, 0xFF]), ReplyError, "not a reading"),
        (crc([8, 3, 2, 0x0A, 0x28]), DeviceSilentError, "within"),  # another device's answer
    ],
)
def test_what_is_no_answer_is_no_reading(probe, clock, answer, error, words):
    device, _ = probe([(ASK, [(0.02, answer)] if answer else []), (ASK, [(0.02, ANSWER)])])
    device.request()
    with pytest.raises(error, match=words):
        wait_for(device, clock)
    device.request()
    assert wait_for(device, clock).value == pytest.approx(26.0)


def test_an_answer_that_comes_too_late_is_not_taken_for_the_next(probe, clock):
    late = crc([7, 3, 2, 0x0B, 0xB8])
    device, _ = probe([(ASK, [(0.7, late)]), (ASK, [(0.05, ANSWER)])])
    device.request()
    with pytest.raises(DeviceSilentError):
        wait_for(device, clock)
    clock.sleep(0.5)
    device.request()
    assert wait_for(device, clock).value == pytest.approx(26.0)


def test_probes_on_one_line_take_turns(wires, clock):
    port = ScriptedPort(clock, [(ASK, [(0.02, ANSWER)]), (crc([8, 3, 0, 0, 0, 1]), [(0.02, crc([8, 3, 2, 0, 100]))])])
    shared = replace(wires, open_serial=lambda *_, **__: port, shared={})
    both = [
        modbus_probe.open_probe(
            modbus_probe.Config.model_validate(
                {"port": "/dev/x", "device": device, "address": 0, "scale": 0.01, "unit": "degC"}
            ),
            shared,
        )
        for device in (7, 8)
    ]
    for device in both:
        device.request()
    assert [wait_for(device, clock).value for device in both] == [pytest.approx(26.0), pytest.approx(1.0)]
    both[0].close()
    assert not port.closed
    both[1].close()
    assert port.closed


def test_a_port_that_is_gone_says_so(probe, clock):
    device, port = probe([(ASK, [])])
    device.request()
    port.broken = True
    with pytest.raises(DeviceUnavailableError, match="port failed"):
        wait_for(device, clock)


@contextmanager
def served(device):
    """Serve a device of pymodbus's simulator on one end of a pty; yield the name of the other."""
    from pymodbus.server import ModbusSerialServer

    ours, theirs = pty.openpty()
    stop, serves = threading.Event(), threading.Event()
    far, near = pty.openpty()  # the simulator's own terminal; bytes are carried from one to the other

    def carry():
        while not stop.is_set():
            for ready in select.select([ours, far], [], [], 0.05)[0]:
                os.write(far if ready == ours else ours, os.read(ready, 256))

    async def serve():
        server = ModbusSerialServer(device, port=os.ttyname(near), baudrate=9600)
        await server.serve_forever(background=True)
        serves.set()
        while not stop.is_set():
            await asyncio.sleep(0.02)
        await server.shutdown()
        await asyncio.sleep(0)  # its transport closes its port in the loop's next round

    threads = [threading.Thread(target=carry), threading.Thread(target=lambda: asyncio.run(serve()))]
    for thread in threads:
        thread.start()
    try:
        until(serves.is_set)
        yield os.ttyname(theirs)
    finally:
        stop.set()
        for thread in threads:
            thread.join()
        for end in (ours, theirs, far, near):
            os.close(end)


def two_numbers():
    from pymodbus.simulator import DataType, SimData, SimDevice

    return SimDevice(
        3,
        [
            SimData(0, values=[7.25], datatype=DataType.FLOAT32),
            SimData(10, values=[2512], datatype=DataType.INT16),
        ],
    )


def test_pymodbus_own_simulator_is_read_over_a_real_terminal():
    """An implementation of the standard that is not ours, and bytes through the kernel."""
    with served(two_numbers()) as name:
        wires = Wires(clock=RealClock(), pins=None, pulses=None, open_serial=open_serial)
        options = {"port": name, "device": 3, "address": 0, "type": "float32", "unit": "pH", "timeout_s": 2.0}
        as_float = modbus_probe.open_probe(modbus_probe.Config.model_validate(options), wires)
        other = {**options, "address": 10, "type": "int16", "scale": 0.01, "unit": "degC"}
        as_int = modbus_probe.open_probe(modbus_probe.Config.model_validate(other), wires)
        values = []
        for probe in (as_float, as_int):
            values.append(poll_for(probe))
        for probe in (as_float, as_int):
            probe.close()

    assert values == [pytest.approx(7.25), pytest.approx(25.12)]


def poll_for(probe):
    """Ask until it answers: on a busy machine the simulator may take longer than the driver waits."""
    while True:
        probe.request()
        with suppress(DeviceSilentError):
            return until(probe.poll).value
