"""A pump board by its register map: exact counts, nothing turned twice, and the truth always between the two ends."""

import random
import time
from dataclasses import replace

import pytest
from hypothesis import strategies as st
from pydantic import ValidationError

from saltern.clock import RealClock, VirtualClock
from saltern.ports import DeviceSilentError, Direction, DriverError, MisuseError, PumpDrive, ReplyError, Wires
from saltern_drivers import modbus_probe, modbus_pump
from saltern_drivers.gpio_lines import open_serial
from tests.drivers.test_fuzz import FRAME, STREAMS, FuzzedPort, lines
from tests.drivers.test_modbus import crc, served
from tests.modbus_boards import PumpBoard
from tests.node.test_pump_node import disturbed
from tests.sizes import holds_for

RATE = 1000
MAP = {
    "port": "/dev/x",
    "device": 4,
    "steps_per_s": RATE,
    "amount": {"address": 16, "type": "uint32"},
    "start": {"address": 18, "value": 1},
    "stop": {"address": 18, "value": 0},
    "running": {"address": 2, "kind": "input", "mask": 1},
    "done": {"address": 4, "kind": "input", "type": "uint32", "counts": "ever"},
}


START = b"\x00\x12"
"""The register that starts and stops, 18, as it stands in a frame."""


class Host:
    """A driver and its board."""

    def __init__(self, counts="ever", rate=RATE, **changes):
        self.clock = VirtualClock()
        self.board = PumpBoard(self.clock, rate, counts=counts)
        options = {**MAP, "done": {**MAP["done"], "counts": counts}, **changes}
        self.config = modbus_pump.Config.model_validate(options)
        self.wires = replace(
            Wires(clock=self.clock, pins=None, pulses=None, open_serial=lambda *_, **__: self.board), shared={}
        )
        self.pump = modbus_pump.open_pump(self.config, self.wires)

    def turn(self, steps, direction=Direction.FORWARD, until_s=90.0):
        """Turn as the bench does; return the last progress."""
        self.pump.start(steps, direction)
        return self.go_on(until_s)

    def go_on(self, until_s=90.0):
        end_s = self.clock.monotonic() + until_s
        while (progress := self.pump.progress()).running and self.clock.monotonic() < end_s:
            self.clock.sleep(0.1)
        return progress


@pytest.fixture(params=["ever", "since-start"])
def host(request):
    return Host(request.param)


def test_it_is_a_pump(host):
    assert isinstance(host.pump, PumpDrive)


def test_what_is_counted_is_what_was_asked(host):
    dice = random.Random(3)
    for _ in range(100):
        steps, before = dice.randrange(1, 4000), host.board.total()
        progress = host.turn(steps)

        assert (progress.running, progress.at_least, progress.at_most) == (False, steps, steps)
        assert host.board.total() - before == steps


def test_while_it_turns_the_truth_lies_between_the_ends(host):
    host.pump.start(5000)
    seen = 0
    while (progress := host.pump.progress()).running:
        assert progress.at_least <= host.board.total() <= progress.at_most
        seen += progress.at_least > 0
        host.clock.sleep(0.037)
    assert seen > 20


def test_a_short_motion_costs_little_more_than_its_time(host):
    """The bench allows two seconds beyond it."""
    began_s = host.clock.monotonic()
    host.turn(300)

    assert host.clock.monotonic() - began_s < 0.3 + 1.2


@pytest.mark.parametrize("after", [0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.8, 1.3])
def test_halted_at_any_moment_it_stands_and_stays_so(host, after):
    host.pump.start(5000)
    end_s = host.clock.monotonic() + after
    while host.clock.monotonic() < end_s:
        host.pump.progress()
        host.clock.sleep(0.05)
    host.pump.halt()
    host.clock.sleep(0.05)
    progress, stood = host.pump.progress(), host.board.total()
    assert not progress.running
    assert progress.at_least <= stood <= progress.at_most
    host.clock.sleep(2.0)
    assert host.board.total() == stood

    assert host.turn(50).at_least == 50
    assert host.board.total() == stood + 50


@pytest.mark.parametrize("lost", ["the command", "its answer"])
def test_an_unanswered_start_is_never_given_twice(lost):
    host = Host("ever")

    starts = []

    def drop_the_first_start(data):
        if data[1] == 16 and data[2:4] == START:
            starts.append(data)
        return b"" if len(starts) == 1 and data in starts else data

    if lost == "the command":
        host.board.to_board = drop_the_first_start
    else:
        host.board.to_host = drop_the_first_start
    progress = host.turn(700)

    assert progress.at_least == progress.at_most == host.board.total() == 700
    assert host.board.written.count((18, [1])) == 1


def test_a_count_that_begins_anew_cannot_tell_and_says_so():
    host = Host("since-start")
    host.board.to_board = lambda data: b"" if data[1] == 16 and data[2:4] == START else data
    host.pump.start(700)
    with pytest.raises(DriverError, match="does not show"):
        host.go_on()

    progress = host.pump.progress()
    assert (progress.at_least, progress.at_most) == (0, 700)


def test_a_start_that_is_never_heard_ends_with_the_boards_silence():
    host = Host("ever")
    host.board.to_board = lambda data: b"" if data[1] == 16 and data[2:4] == START else data
    host.pump.start(700)
    with pytest.raises(DeviceSilentError):
        host.go_on()

    assert host.pump.progress().at_most == 0 == host.board.total()


@pytest.mark.parametrize("counts", ["ever", "since-start"])
def test_lost_garbled_and_repeated_frames_never_hide_a_step(counts):
    dice, host, done = random.Random(8), Host(counts), 0
    for _ in range(60):
        host.board.to_board = host.board.to_host = lambda data: disturbed(dice, data, 0.08)
        before = host.board.total()
        try:
            progress = host.turn(400)
        except DriverError:
            host.clock.sleep(0.05)
            progress = host.pump.progress()
        host.board.to_board = host.board.to_host = lambda data: data
        host.board.stop()  # its permit has lapsed
        moved = host.board.total() - before

        assert progress.at_least <= moved <= progress.at_most
        done += progress.at_least == 400
    assert done >= 30


def test_a_board_gone_silent_in_mid_motion_leaves_an_interval(host):
    host.pump.start(5000)
    for _ in range(12):
        host.pump.progress()
        host.clock.sleep(0.1)
    host.board.to_board = lambda data: b""
    with pytest.raises(DeviceSilentError, match="nothing came"):
        host.go_on()
    progress = host.pump.progress()

    assert 0 < progress.at_least <= host.board.total() <= progress.at_most


def test_a_pump_that_turns_unasked_is_stopped_and_told(host):
    host.board.amount = 10_000
    host.board.start()
    host.pump.start(100)
    with pytest.raises(DriverError, match="without a command"):
        host.go_on()

    assert not host.board.turning


def test_a_board_that_turns_faster_than_is_believed_is_stopped():
    host = Host(rate=2 * RATE)
    host.pump.start(5000)
    with pytest.raises(DriverError, match="are configured"):
        host.go_on()

    assert not host.board.turning
    assert host.board.total() < 3000


def test_a_board_that_counts_more_than_was_asked_is_not_believed(host):
    host.pump.start(300)
    for _ in range(7):
        host.pump.progress()
        host.clock.sleep(0.1)
    host.board.asked = 2000
    with pytest.raises(DriverError, match="of 300 asked"):
        host.go_on()
    progress = host.pump.progress()

    assert progress.at_least == progress.at_most >= 300


def test_what_a_board_refuses_is_told_with_its_exception():
    host = Host()
    host.board.refuses = 16
    host.pump.start(100)
    with pytest.raises(ReplyError, match="exception 4"):
        host.go_on()

    assert host.board.total() == 0


def test_an_amount_that_starts_and_a_speed_and_a_direction():
    host = Host(
        start=None,
        speed={"address": 30, "value": 1500},
        direction={"address": 31, "forward": 1, "reverse": 2},
    )
    host.board.starts_with_amount = True
    host.board.first_count = 1_000_000
    assert host.turn(200).at_least == 200
    assert host.board.written == [(30, [1500]), (31, [1]), (16, [0, 200])]
    host.pump.start(100, Direction.REVERSE)
    assert host.go_on().at_least == 100
    assert (31, [2]) in host.board.written


def test_a_position_runs_backwards_with_the_pump():
    host = Host("position", direction={"address": 31, "forward": 1, "reverse": 2})
    host.board._count = lambda: 1000 + host.board.before - host.board.steps()
    assert host.turn(600, Direction.REVERSE).at_least == 600


def test_registers_far_apart_are_read_one_after_the_other():
    host = Host(running={"address": 2, "kind": "holding", "mask": 1})
    assert host.turn(500).at_least == 500


def test_misuse_is_refused(host):
    for amount in (0.0, 0.2, -3.0, 1e9):
        with pytest.raises(MisuseError):
            host.pump.start(amount)
    with pytest.raises(MisuseError, match="one way"):
        host.pump.start(100, Direction.REVERSE)
    host.pump.start(100)
    with pytest.raises(MisuseError, match="under way"):
        host.pump.start(100)


def test_an_amount_in_an_input_register_is_refused_by_the_config():
    with pytest.raises(ValidationError, match="holding"):
        Host(amount={"address": 16, "type": "uint32", "kind": "input"})


def test_a_probe_on_the_same_line_is_read_while_it_turns():
    host = Host()
    told = crc([9, 3, 2, 0x0A, 0x28])
    write = host.board.write

    def also_a_probe(data):
        if data[0] == 9:
            host.board.say((0.02, told))
            return len(data)
        return write(data)

    host.board.write = also_a_probe
    probe = modbus_probe.open_probe(
        modbus_probe.Config(port="/dev/x", device=9, address=0, scale=0.01, unit="degC"), host.wires
    )
    host.pump.start(3000)
    read = 0
    while host.pump.progress().running:
        probe.request()
        reading = probe.poll()
        if reading is not None:
            assert reading.value == pytest.approx(26.0)
            read += 1
        host.clock.sleep(0.1)
    assert read > 3
    assert host.board.total() == 3000


STATUS = st.tuples(st.integers(0, 1), st.integers(0, 2**32 - 1)).map(
    lambda said: crc([4, 4, 8, 0, said[0], 0, 0, *said[1].to_bytes(4, "big")])
)


@holds_for(
    lines(st.one_of(FRAME, STATUS, st.sampled_from([crc([4, 16, 0, 16, 0, 2]), crc([4, 16, 0, 18, 0, 1])]))), **STREAMS
)
def test_whatever_a_board_sends_a_motion_ends_with_bounds_or_an_error_of_ours(chunks):
    clock = VirtualClock()
    wires = Wires(clock=clock, pins=None, pulses=None, open_serial=lambda *_, **__: FuzzedPort(clock, chunks))
    pump = modbus_pump.open_pump(modbus_pump.Config.model_validate(MAP), replace(wires, shared={}))
    pump.start(300)
    try:
        while (progress := pump.progress()).running and clock.monotonic() < 60.0:
            assert 0 <= progress.at_least <= progress.at_most
            clock.sleep(0.1)
    except DriverError:
        pass
    pump.halt()
    progress = pump.progress()
    assert not progress.running
    assert 0 <= progress.at_least <= progress.at_most


def simulated_board(rate):
    """Return a device of pymodbus's simulator that behaves as a pump board, and what it has turned."""
    from pymodbus.simulator import DataType, SimData, SimDevice

    turned = {"asked": 0, "before": 0, "began_s": None}

    def steps():
        began_s = turned["began_s"]
        return 0 if began_s is None else min(turned["asked"], int((time.monotonic() - began_s) * rate))

    async def act(function_code, start_address, address, count, registers, set_values):
        del function_code, count
        done = steps()
        if set_values is None:
            at = 2 - start_address
            registers[at] = int(0 < turned["asked"] != done)
            registers[at + 2], registers[at + 3] = divmod(turned["before"] + done, 65536)
        elif address == 18 and set_values == [1]:
            amount = registers[16 - start_address] << 16 | registers[17 - start_address]
            turned.update(asked=amount, before=turned["before"] + done, began_s=time.monotonic())
        elif address == 18:
            turned.update(asked=0, before=turned["before"] + done, began_s=None)

    block = SimData(0, count=40, values=0, datatype=DataType.REGISTERS)
    return SimDevice(4, [block], action=act), lambda: turned["before"] + steps()


def test_pymodbus_own_simulator_is_turned_over_a_real_terminal():
    """An implementation of the standard that is not ours, and bytes through the kernel."""
    device, turned = simulated_board(RATE)
    with served(device) as name:
        wires = Wires(clock=RealClock(), pins=None, pulses=None, open_serial=open_serial)
        pump = modbus_pump.open_pump(modbus_pump.Config.model_validate({**MAP, "port": name, "timeout_s": 2.0}), wires)
        found = []
        for steps in (700, 41):
            pump.start(steps)
            while (progress := pump.progress()).running:
                time.sleep(0.02)
            found.append((progress.at_least, progress.at_most))
        pump.close()

    assert found == [(700, 700), (41, 41)]
    assert turned() == 741


class Pulled:
    """The board's port, that can be pulled out."""

    def __init__(self, board):
        self.board, self.gone = board, False

    def __getattr__(self, name):
        if self.gone:
            raise OSError(5, "Input/output error")
        return getattr(self.board, name)


def on_a_cable(host):
    """Put a cable between a host and its board."""
    cable = Pulled(host.board)
    host.wires = replace(host.wires, open_serial=lambda *_, **__: cable, shared={})
    host.pump = modbus_pump.open_pump(host.config, host.wires)
    return cable


def test_a_halt_that_the_line_did_not_take_is_the_first_thing_said_when_it_is_back():
    host = Host()
    cable = on_a_cable(host)
    host.pump.start(10_000)
    host.go_on(until_s=1.0)
    cable.gone = True
    with pytest.raises(DriverError, match="opened again by itself"):
        host.go_on()
    host.pump.halt()
    assert host.board.turning
    before = len(host.board.written)
    cable.gone = False
    host.clock.sleep(1.0)
    for _ in range(3):
        host.pump.connection()
        host.clock.sleep(0.1)

    assert host.board.written[before] == (18, [0])
    assert host.board.written.count((18, [0])) == 1
    assert not host.board.turning
    assert host.turn(500).at_least == 500


def test_a_pump_whose_line_is_away_refuses_to_turn_and_turns_when_it_is_back():
    host = Host()
    cable = on_a_cable(host)
    cable.gone = True
    assert not host.pump.connection().up
    for _ in range(3):
        with pytest.raises(DriverError, match="opened again by itself"):
            host.turn(500)
        assert host.pump.progress().at_most == 0.0
    cable.gone = False
    host.clock.sleep(60.0)

    assert host.pump.connection().up
    assert host.pump.connection().returns == 1
    assert host.turn(500).at_least == 500
    assert host.board.total() == 500
