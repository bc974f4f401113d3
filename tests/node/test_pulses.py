"""The shim's PIO programs and its motors on an emulated RP2040: the instruction words themselves, fed by DMA.

The emulator is a library's (rp2040py); a board has run none of this. Pulses are seen at the pad, as a stepper driver
sees them.
"""

import random
from itertools import pairwise

import pytest

from saltern.ports import DriverError
from tests.node.boards import Here, firmware
from tests.node.chip import CLOCK_HZ, SLICE_CYCLES, Chip
from tests.node.harness import Board
from tests.node.host import Host
from tests.node.test_shim import shim

NODE = firmware()
STEP = (2, 5, 8)
ENABLE, DIRECTION = (4, 7, 10), (3, 6, 9)


@pytest.fixture
def chip():
    return Chip()


@pytest.fixture
def motors(chip, monkeypatch):
    """Return the shim's motors, of a board that is held for service: its loop does not run."""
    names = shim(monkeypatch, chip)
    return [names["Motor"](number) for number in range(3)]


def rises(chip, number=0):
    return [at for at, level in chip.edges[STEP[number]] if level]


def widths(chip, number=0):
    """Return how long the pin was high, each time."""
    return [off - on for (on, level), (off, _) in pairwise(chip.edges[STEP[number]]) if level]


def test_the_words_are_those_that_the_data_sheets_tables_give(chip, monkeypatch):
    """Encoded by hand from RP2040 data sheet, 3.4.2 (JMP), 3.4.3 (WAIT), 3.4.6 (PUSH), 3.4.7 (PULL), 3.4.8, 3.4.10."""
    names = shim(monkeypatch, chip)

    assert names["pulses"].words == [
        0x80A0, 0xA027, 0x002D, 0x80A0, 0x0046, 0x0000,
        0xE001, 0xA047, 0x0088, 0xE000, 0xA047, 0x008B, 0x0004,
        0x8000,
    ]  # fmt: skip
    assert names["edges"].words == [0x2020, 0x20A0, 0x0040]


@pytest.mark.parametrize("steps", [1, 2, 3, 40, 1000])
def test_as_many_pulses_as_asked_come_and_are_counted_on_the_pin(chip, motors, steps):
    motor = motors[0]
    planned = NODE.stages(steps, 8000, 1000, 40_000)
    motor.hold(False)
    motor.send(planned)
    assert not motor.ended()
    chip.run(NODE.lasts_ms(planned) / 1000.0 + 0.003)

    assert motor.ended()
    assert motor.count() == len(rises(chip)) == steps
    motor.halt()
    motor.free()
    assert motor.count() == len(rises(chip)) == steps
    assert min(widths(chip)) >= 50e-6


def test_the_pulses_come_when_the_stages_say(chip, motors):
    planned = NODE.stages(700, 8000, 1000, 40_000)
    motors[0].send(planned)
    chip.run(NODE.lasts_ms(planned) / 1000.0 + 0.003)
    wanted, at = [], 0
    for pulses, ticks in planned:
        for _ in range(pulses):
            wanted.append(at / NODE.TICKS_PER_S)
            at += ticks
    seen = [at - rises(chip)[0] for at in rises(chip)]

    assert seen == pytest.approx(wanted, abs=3e-6 * len(planned))  # between two stages some cycles are lost
    gaps = [after - before for before, after in pairwise(seen)]
    assert min(gaps) >= 1.0 / 8000 - 1e-6
    assert gaps[0] == pytest.approx(1.0 / 1000, rel=0.01)
    assert gaps[-1] == pytest.approx(1.0 / 1000, rel=0.05)
    fastest = gaps.index(min(gaps))
    assert all(after <= before + 4e-6 for before, after in pairwise(gaps[: fastest + 1]))


def test_a_python_that_pauses_neither_adds_nor_loses_a_pulse_nor_breaks_a_ramp(chip, motors):
    """Nothing is asked of Python between the start and the end: DMA has all stages."""
    planned = NODE.stages(900, 8000, 400, 40_000)
    motors[1].send(planned)
    chip.run(NODE.lasts_ms(planned) / 1000.0 + 0.003)
    gaps = [after - before for before, after in pairwise(rises(chip, 1))]

    assert motors[1].count() == len(rises(chip, 1)) == 900
    assert max(gaps) <= 1.01 / 400


def test_a_halt_at_any_instant_leaves_a_count_that_is_read_and_no_short_pulse(chip, motors):
    dice = random.Random(7)
    motor = motors[2]
    before = 0
    for _ in range(25):
        planned = NODE.stages(2000, 15_000, 2000, 200_000)
        motor.send(planned)
        chip.run(dice.uniform(0.0, 0.02))
        running = motor.count()
        motor.halt()
        chip.run(0.001)
        stood = len(rises(chip, 2)) - before
        before += stood

        assert running <= motor.count() == stood < 2000
        assert not chip.edges[STEP[2]] or chip.edges[STEP[2]][-1][1] == 0
        chip.run(0.02)
        assert len(rises(chip, 2)) == before
    assert before > 500
    assert min(widths(chip, 2)) >= 4.9e-6


def test_a_halt_in_the_moment_of_a_step_leaves_it_long_enough_for_a_driver(chip, motors):
    """Stepper drivers ask for 1 to 5 us; a step that was cut shorter would be counted, and perhaps not made."""
    for _ in range(3):
        motors[0].send(NODE.stages(50, 2000, 2000, 10_000))
        before = len(rises(chip))
        while len(rises(chip)) < before + 3:
            chip.run(SLICE_CYCLES / CLOCK_HZ)
        motors[0].halt()

    assert len(widths(chip)) == 9
    assert min(widths(chip)) >= 4.9e-6


def test_after_a_halt_the_next_motion_is_its_own(chip, motors):
    """Nothing of the old one's stages is left in DMA or FIFO."""
    motors[0].send(NODE.stages(5000, 15_000, 2000, 200_000))
    chip.run(0.015)
    motors[0].halt()
    before = len(rises(chip))
    planned = NODE.stages(3, 1000, 1000, 10_000)
    motors[0].send(planned)
    chip.run(NODE.lasts_ms(planned) / 1000.0 + 0.003)

    assert motors[0].ended()
    assert motors[0].count() == len(rises(chip)) - before == 3


def test_three_motors_count_apart(chip, motors):
    for number, steps in enumerate((100, 200, 300)):
        motors[number].send(NODE.stages(steps, 8000, 4000, 400_000))
    chip.run(0.1)

    assert [motor.count() for motor in motors] == [100, 200, 300]
    assert [len(rises(chip, number)) for number in range(3)] == [100, 200, 300]


def test_a_step_pin_that_is_shorted_is_not_counted_as_done(chip, motors):
    chip.shorted.add(STEP[0])
    motors[0].send(NODE.stages(100, 8000, 4000, 400_000))
    chip.run(0.1)

    assert motors[0].ended()
    assert motors[0].count() == 0


def test_pulses_from_outside_are_counted_too(chip, motors):
    motors[0].send(NODE.stages(100, 8000, 4000, 400_000))
    chip.run(0.1)
    chip.disturb(STEP[0], 7)

    assert motors[0].count() == 107


class OnPins:
    """The shim's motor as the harness's board asks it: what it has done is what the pad has seen."""

    def __init__(self, motor, chip, number):
        self.motor, self.chip, self.number = motor, chip, number
        self.total, self.told, self._from = 0, [], 0
        self.hold, self.free, self.count, self.ended = motor.hold, motor.free, motor.count, motor.ended

    @property
    def turning(self):
        return self.motor.sender is not None

    @property
    def held(self):
        return bool(self.chip.rp2040.gpio[ENABLE[self.number]].input_value)

    @property
    def backward(self):
        return bool(self.chip.rp2040.gpio[DIRECTION[self.number]].input_value)

    def sent(self):
        return len(rises(self.chip, self.number)) - self._from

    def send(self, stages):
        self._from = len(rises(self.chip, self.number))
        self.motor.send(stages)

    def halt(self):
        if self.turning:
            self.motor.halt()
            self.total += self.sent()
        else:
            self.motor.halt()


class ChipBoard(Board):
    """A node on the shim's motors on an emulated chip."""

    def __init__(self, chip, make_motor):
        self.chip = chip
        super().__init__(NODE.Node, make_motor)

    def until(self, now_ms):
        while self.clock.now_ms < now_ms:
            self.chip.run(0.001)
            self.clock.now_ms += 1
            self.node.tick(self.clock.now_ms)


@pytest.fixture
def host(chip, motors):
    numbers = iter(range(3))

    def make(_):
        number = next(numbers)
        return OnPins(motors[number], chip, number)

    board = Here.__new__(Here)
    board.board = ChipBoard(chip, make)
    return Host(board)


def test_a_motion_from_the_hosts_driver_down_to_the_pad(chip, host):
    progress = host.turn(800)

    assert (progress.at_least, progress.at_most) == (800, 800)
    assert len(rises(chip, 2)) == 800
    assert rises(chip, 0) == rises(chip, 1) == []


def test_the_motor_has_current_before_the_first_and_after_the_last_pulse(chip, host):
    host.turn(60)
    host.clock.sleep(0.2)
    (on, _), (off, _) = chip.edges[ENABLE[2]]

    assert rises(chip, 2)[0] - on >= 0.05
    assert off - rises(chip, 2)[-1] >= 0.05


def test_a_permit_that_lapses_stops_the_pad_and_what_is_reported_is_what_it_saw(chip, host):
    host.permit.kick()
    host.pump.start(20_000)
    for _ in range(6):
        host.pump.progress()
        host.clock.sleep(0.1)
        host.permit.kick()
    heard_s = host.clock.monotonic()
    host.clock.sleep(1.0)
    with pytest.raises(DriverError, match="heard nothing"):
        host.follow()
    progress = host.pump.progress()

    assert progress.at_least == progress.at_most == len(rises(chip, 2)) > 500
    assert rises(chip, 2)[-1] <= heard_s + 0.5 + 0.002


def test_a_shorted_step_pin_is_said_from_the_pad_to_the_host(chip, host):
    chip.shorted.add(STEP[2])
    progress, error = host.ends(300)

    assert (progress.at_least, progress.at_most) == (0, 300)
    assert "contradicts its clock" in str(error)
