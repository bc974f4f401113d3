"""Chips on I2C, as full conversations of register reads and writes, and against the twin's registers."""

from dataclasses import dataclass, field, replace

import pytest
from pydantic import ValidationError

from saltern.ports import DeviceSilentError, DeviceUnavailableError, DriverError, ReplyError
from saltern_drivers import i2c_adc, i2c_scale
from tests.twin_bench import TwinBench


@dataclass
class ScriptedBus:
    """Plays register transfers in order, each of which must be consumed."""

    script: list = field(default_factory=list)
    closed: bool = False

    def write_i2c_block_data(self, i2c_addr, register, data):
        *expected, said = self._next("write", i2c_addr, register)
        if isinstance(said, OSError):
            raise said
        if said != data:
            pytest.fail(f"{data} was written instead of {said} by {expected}")

    def read_i2c_block_data(self, i2c_addr, register, length):
        *_, answer = self._next("read", i2c_addr, register)
        if isinstance(answer, OSError):
            raise answer
        return answer

    def _next(self, *asked):
        """Return the next line of the script; what does not follow it fails the test, and is nobody's error."""
        line = self.script.pop(0) if self.script else None
        if line is None or line[:3] != asked:
            pytest.fail(f"{asked} came instead of {line}")
        return line

    def close(self):
        self.closed = True


def adc(wires, script, **config):
    bus = ScriptedBus(script)
    options = i2c_adc.Config.model_validate({"input": "0", **config})
    return i2c_adc.open_converter(options, replace(wires, open_i2c=lambda number: bus)), bus


def scale(wires, script):
    bus = ScriptedBus(script)
    options = i2c_scale.Config(g_per_count=0.001, zero_counts=1000)
    return i2c_scale.open_scale(options, replace(wires, open_i2c=lambda number: bus)), bus


START_MUX0_2V = ("write", 0x48, 1, [0xC5, 0x03])  # begin, input 0, 2.048 V, one shot; 8 a second, comparator off


def test_a_conversion_is_asked_for_and_fetched_when_it_is_done(wires):
    board, bus = adc(
        wires,
        [
            START_MUX0_2V,
            ("read", 0x48, 1, [0x45, 0x03]),  # still converting
            ("read", 0x48, 1, [0xC5, 0x03]),
            ("read", 0x48, 0, [0x40, 0x00]),  # half of full scale
        ],
    )
    board.request()
    board.request()  # harmless while one is under way

    assert board.poll() is None
    assert board.poll().value == pytest.approx(1024.0)
    assert bus.script == []


def test_a_negative_difference_and_a_unit_of_its_own(wires):
    board, _ = adc(
        wires,
        [("write", 0x48, 1, [0x8B, 0x03]), ("read", 0x48, 1, [0x8B, 0x03]), ("read", 0x48, 0, [0xC0, 0x00])],
        input="0-1",
        full_scale_v=0.256,
        unit="mA",
        per_mv=2.0,
        offset=1.0,
    )
    board.request()
    reading = board.poll()

    assert (reading.value, reading.unit) == (pytest.approx(1.0 - 2.0 * 128.0), "mA")


@pytest.mark.parametrize("word", [[0x7F, 0xFF], [0x80, 0x00]])
def test_an_input_at_the_end_of_its_range_is_no_reading(wires, word):
    board, _ = adc(wires, [START_MUX0_2V, ("read", 0x48, 1, [0xC5, 3]), ("read", 0x48, 0, word)])
    board.request()
    with pytest.raises(ReplyError, match="at or beyond"):
        board.poll()


def test_a_converter_that_never_ends_or_is_gone_says_so(wires, clock):
    busy = ("read", 0x48, 1, [0x45, 3])
    board, _ = adc(wires, [START_MUX0_2V, busy, busy, START_MUX0_2V, ("read", 0x48, 1, OSError(121, "no answer"))])
    board.request()
    assert board.poll() is None
    clock.sleep(1.0)
    with pytest.raises(DeviceSilentError):
        board.poll()
    board.request()
    with pytest.raises(DeviceUnavailableError, match="address"):
        board.poll()


def test_a_range_that_the_chip_has_not_is_refused():
    with pytest.raises(ValidationError, match=r"6\.144"):
        i2c_adc.Config.model_validate({"input": "0", "full_scale_v": 3.3})


BEGIN = [("write", 0x2A, 0x00, [0x01]), ("write", 0x2A, 0x00, [0x02])]  # reset, and the digital part on
NOT_UP, UP = ("read", 0x2A, 0x00, [0x02]), ("read", 0x2A, 0x00, [0x0A])
SETTINGS = [
    ("write", 0x2A, 0x01, [0x2F]),  # 3.0 V, gain 128
    ("write", 0x2A, 0x02, [0x00]),  # ten a second
    ("write", 0x2A, 0x00, [0x86]),  # the analogue part on, from the chip's own regulator
]
CALIBRATE = [("write", 0x2A, 0x00, [0x96]), ("write", 0x2A, 0x02, [0x04])]  # conversions on; its own offset
CALIBRATES, CALIBRATED = ("read", 0x2A, 0x02, [0x04]), ("read", 0x2A, 0x02, [0x00])
BUSY, READY = ("read", 0x2A, 0x00, [0x9E]), ("read", 0x2A, 0x00, [0xBE])
DROPPED = [READY, ("read", 0x2A, 0x12, [0x10, 0, 0])]
SET_UP = [*BEGIN, NOT_UP, UP, *SETTINGS, *CALIBRATE, CALIBRATES, CALIBRATED, BUSY, *4 * DROPPED]


def set_up(board, clock):
    """Poll until the chip is set up; nothing of that is a reading."""
    board.request()
    for _ in range(2):
        assert board.poll() is None
    clock.sleep(0.1)
    assert board.poll() is None  # its supply has not settled yet
    clock.sleep(0.2)
    for _ in range(8):
        assert board.poll() is None


def test_a_scale_is_set_up_once_step_by_step_and_gives_grams(wires, clock):
    board, bus = scale(
        wires,
        [
            *SET_UP,
            BUSY,
            READY,
            ("read", 0x2A, 0x12, [0x01, 0x86, 0xA0]),  # 100000
            ("read", 0x2A, 0x12, [0, 0, 0]),  # the second request discards what waits
            READY,
            ("read", 0x2A, 0x12, [0xFF, 0xFF, 0x38]),  # -200
        ],
    )
    set_up(board, clock)
    assert board.poll() is None
    assert board.poll().value == pytest.approx(99.0)
    board.request()
    assert board.poll().value == pytest.approx(-1.2)
    assert bus.script == []


def test_a_scale_at_its_rail_or_silent_says_so_and_is_set_up_again(wires, clock):
    board, bus = scale(
        wires,
        [
            *SET_UP,
            READY,
            ("read", 0x2A, 0x12, [0x7F, 0xFF, 0xFF]),
            ("read", 0x2A, 0x12, [0, 0, 0]),
            BUSY,
            BUSY,
            *BEGIN,
        ],
    )
    set_up(board, clock)
    with pytest.raises(ReplyError, match="limit"):
        board.poll()
    board.request()
    assert board.poll() is None
    clock.sleep(1.5)
    with pytest.raises(DeviceSilentError):
        board.poll()
    board.request()
    assert bus.script == []


@pytest.mark.parametrize(
    ("script", "polls", "step"), [([*BEGIN, NOT_UP], 0, "powering"), ([*SET_UP[:11], BUSY], 8, "settling")]
)
def test_a_scale_that_does_not_come_on_says_how_far_it_came(wires, clock, script, polls, step):
    board, bus = scale(wires, script)
    board.request()
    for _ in range(polls):
        if bus.script[0][0] == "write":
            clock.sleep(0.3)
        if len(bus.script) > 1:
            board.poll()
    clock.sleep(2.1)
    with pytest.raises(DeviceSilentError, match=f"still {step}"):
        board.poll()


def test_a_calibration_that_failed_is_told_and_tried_again(wires, clock):
    board, bus = scale(wires, [*BEGIN, UP, *SETTINGS, *CALIBRATE, ("read", 0x2A, 0x02, [0x08]), *BEGIN])
    board.request()
    board.poll()
    clock.sleep(0.3)
    board.poll()
    with pytest.raises(ReplyError, match="calibration of its own offset failed"):
        board.poll()
    board.request()
    assert bus.script == []


def weighed(board, clock, most_s=10.0):
    board.request()
    began_s = clock.monotonic()
    while (reading := board.poll()) is None:
        assert clock.monotonic() - began_s < most_s
        clock.sleep(0.05)
    return reading.value


def scale_on_the_twin():
    twin = TwinBench(true={"probes.balance": {"board": {"driver": "i2c-scale", "g_per_count": 0.0001}}})
    return twin, twin.devices.probes["balance"], twin.play.wires.open_i2c(1)


def test_no_conversion_counts_before_the_twins_chip_is_powered_settled_and_calibrated():
    """The twin's chip takes nothing before it is powered, and gives 4 g too much before it is calibrated."""
    twin, board, _ = scale_on_the_twin()
    first, second = weighed(board, twin.clock), weighed(board, twin.clock)

    assert first == pytest.approx(second, abs=0.5)


def test_a_chip_that_lost_its_supply_or_its_bus_is_set_up_again_before_it_counts():
    twin, board, bus = scale_on_the_twin()
    before = weighed(board, twin.clock)
    bus.lose_power()
    after_power = weighed(board, twin.clock)
    bus.gone = True
    with pytest.raises(DeviceUnavailableError, match="opened again by itself"):
        weighed(board, twin.clock)
    assert not board.connection().up
    bus.gone = False
    bus.lose_power()
    twin.clock.sleep(1.0)

    assert after_power == pytest.approx(before, abs=0.5)
    assert weighed(board, twin.clock) == pytest.approx(before, abs=0.5)
    assert board.connection().up
    assert board.connection().returns == 1


def test_a_chip_whose_calibration_fails_gives_no_weight():
    twin, board, bus = scale_on_the_twin()
    bus.scale.calibration_fails = True
    with pytest.raises(ReplyError, match="calibration"):
        weighed(board, twin.clock)


def test_a_converter_that_lost_its_supply_in_a_conversion_gives_no_reading(wires, clock):
    """After a reset it says 0x8583: not converting, with nought in its register."""
    board, _ = adc(wires, [START_MUX0_2V, ("read", 0x48, 1, [0x85, 0x83])])
    board.request()

    with pytest.raises(ReplyError, match="has forgotten what it was asked"):
        board.poll()


def test_a_chip_that_answered_nothing_for_a_while_is_asked_again_and_its_bus_opened_again(wires, clock):
    silence = ("write", 0x48, 1, OSError(121, "Remote I/O error"))
    opened = []
    script = [*3 * [silence], START_MUX0_2V, ("read", 0x48, 1, [0xC5, 3]), ("read", 0x48, 0, [0x40, 0])]
    bus = ScriptedBus(script)
    wires = replace(wires, open_i2c=lambda number: opened.append(number) or bus)
    board = i2c_adc.open_converter(i2c_adc.Config.model_validate({"input": "0"}), wires)
    for _ in range(4):
        with pytest.raises(DeviceUnavailableError):
            board.request()  # a bus that has failed three times in a row rests half a second
    clock.sleep(0.5)
    board.request()

    assert board.poll().value == pytest.approx(1024.0)
    assert opened == [1, 1]
    assert bus.script == []


def test_a_bus_that_is_not_there_at_the_start_keeps_nothing_from_starting(wires, clock):
    there = []

    def open_i2c(number):
        if not there:
            raise DeviceUnavailableError("cannot be opened", where="/dev/i2c-1", remedy="Switch I2C on")
        return ScriptedBus(list(there))

    board = i2c_adc.open_converter(i2c_adc.Config.model_validate({"input": "0"}), replace(wires, open_i2c=open_i2c))
    with pytest.raises(DeviceUnavailableError, match="Switch I2C on; it is opened again by itself"):
        board.request()
    assert not board.connection().up
    there += [START_MUX0_2V]
    clock.sleep(60.0)
    board.request()


SENSOR = {
    "stirrer.sensor": {
        "lowest": 30.0,
        "highest": 90.0,
        "board": {"driver": "i2c-adc", "input": "0", "full_scale_v": 0.512, "unit": "mA"},
    }
}


def test_a_stirrer_that_is_seen_standing_gets_no_acid():
    """Its bar is held fast while the motor is on: the current says so before the first dose."""
    twin = TwinBench(true=SENSOR)
    sound = twin.determine()
    twin.world.stirrer_stopped = True
    stopped = twin.determine()

    assert sound.alkalinity.verdict.value == "accepted"
    assert [reason.value for reason in stopped.alkalinity.reasons] == ["electrode-not-settled"]
    assert "stirrer's sensor says" in stopped.remarks[0]
    assert stopped.titrant_ml == 0.0


def test_a_bench_without_that_bus_says_so():
    from saltern.ports import no_i2c

    with pytest.raises(DriverError, match="no I2C"):
        no_i2c(1)
