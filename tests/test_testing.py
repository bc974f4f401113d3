"""What authors of drivers test with finds what is wrong with a driver: a conversation that is not the scripted one."""

import pytest

from saltern.ports import PulseTrains, SerialPort
from saltern.testing import ScriptedPort, VirtualClock, VirtualPort, VirtualPulseTrains, mock_wires

CONVERSATION = [(b"R\r", [(0.3, b"7.01\r")]), (b"T\r", [(0.1, b"25.0\r")])]


@pytest.fixture
def clock():
    return VirtualClock()


def test_bytes_arrive_at_their_instant_and_not_before(clock):
    port = ScriptedPort(clock, CONVERSATION)
    port.write(b"R\r")
    clock.sleep(0.29)
    assert port.in_waiting == 0

    clock.sleep(0.02)
    assert port.read(port.in_waiting) == b"7.01\r"


@pytest.mark.parametrize("said", [[b"X\r"], [b"T\r"], [b"R\r", b"R\r"], [b"R\r", b"T\r", b"R\r"]])
def test_what_is_not_in_the_script_fails_the_test(clock, said):
    port = ScriptedPort(clock, CONVERSATION)
    for data in said[:-1]:
        port.write(data)

    with pytest.raises(AssertionError, match="was written instead of"):
        port.write(said[-1])


def test_what_is_left_over_fails_the_test(clock):
    port = ScriptedPort(clock, CONVERSATION)
    with pytest.raises(AssertionError, match="left over"):
        port.assert_used_up()
    port.write(b"R\r")
    port.write(b"T\r")
    with pytest.raises(AssertionError, match="left over"):
        port.assert_used_up()
    clock.sleep(1.0)
    port.read(port.in_waiting)
    port.assert_used_up()


def test_a_port_that_is_pulled_raises_what_the_system_does(clock):
    port = VirtualPort(clock)
    port.broken = True
    with pytest.raises(OSError, match="gone"):
        assert port.in_waiting


def test_wires_know_the_ports_of_the_test_and_no_other(clock):
    board = VirtualPort(clock)
    with mock_wires(clock, ports={"/dev/serial/by-id/board": board}) as wires:
        assert wires.open_serial("/dev/serial/by-id/board", timeout=0) is board
        with pytest.raises(OSError, match="could not open"):
            wires.open_serial("/dev/serial/by-id/another")


def test_pulses_go_out_in_virtual_time_and_the_queue_has_an_end(clock):
    trains = VirtualPulseTrains(clock)
    for _ in range(8):
        trains.queue(17, 100, 500, 500)
    with pytest.raises(AssertionError, match="more than 8"):
        trains.queue(17, 100, 500, 500)
    clock.sleep(0.25)

    assert trains.sent(17) == (200, 300)
    assert trains.gone_out() == 250
    assert trains.busy(17)
    clock.sleep(0.6)
    assert trains.sent(17) == (800, 800)
    assert not trains.busy(17)


def test_they_are_the_ports_that_a_driver_is_given(clock):
    port: SerialPort = VirtualPort(clock)
    pulses: PulseTrains = VirtualPulseTrains(clock)

    members = {name for name in PulseTrains.__dict__ if not name.startswith("_")}
    assert members <= set(dir(pulses))
    assert {name for name in SerialPort.__dict__ if not name.startswith("_")} <= set(dir(port))
