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
        kind, *expected = self.script.pop(0)
        assert (kind, *expected) == ("write", i2c_addr, register, data)

    def read_i2c_block_data(self, i2c_addr, register, length):
        kind, address, asked, answer = self.script.pop(0)
        assert (kind, address, asked) == ("read", i2c_addr, register)
        if isinstance(answer, OSError):
            raise answer
        assert len(answer) == length
        return answer

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


SET_UP = [
    ("write", 0x2A, 0x00, [0x01]),
    ("write", 0x2A, 0x00, [0x06]),
    ("write", 0x2A, 0x01, [0x2F]),
    ("write", 0x2A, 0x02, [0x04]),
    ("write", 0x2A, 0x00, [0x96]),
]


def test_a_scale_is_set_up_once_and_gives_grams(wires):
    board, bus = scale(
        wires,
        [
            *SET_UP,
            ("read", 0x2A, 0x00, [0x9E]),
            ("read", 0x2A, 0x00, [0xBE]),
            ("read", 0x2A, 0x12, [0x01, 0x86, 0xA0]),  # 100000
            ("read", 0x2A, 0x12, [0, 0, 0]),  # the second request discards what waits
            ("read", 0x2A, 0x00, [0xBE]),
            ("read", 0x2A, 0x12, [0xFF, 0xFF, 0x38]),  # -200
        ],
    )
    board.request()
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
            ("read", 0x2A, 0x00, [0xBE]),
            ("read", 0x2A, 0x12, [0x7F, 0xFF, 0xFF]),
            ("read", 0x2A, 0x12, [0, 0, 0]),
            ("read", 0x2A, 0x00, [0x9E]),
            ("read", 0x2A, 0x00, [0x9E]),
            *SET_UP,
        ],
    )
    board.request()
    with pytest.raises(ReplyError, match="rail"):
        board.poll()
    board.request()
    assert board.poll() is None
    clock.sleep(1.5)
    with pytest.raises(DeviceSilentError):
        board.poll()
    board.request()
    assert bus.script == []


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
