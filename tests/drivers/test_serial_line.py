"""A board is asked and answers in lines; nothing else is a reading. Each conversation is used up to its end."""

import re

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from saltern.ports import DeviceSilentError, DeviceUnavailableError, DriverError, ReplyError, Wires
from saltern.testing import ScriptedPort, wait_for
from saltern_drivers.gpio_lines import open_serial
from saltern_drivers.serial_line import Config, LineBoard, open_board
from tests.drivers.conftest import over

PATTERN = r"(?P<value>[-+]?\d+\.\d+)"
CONFIG = Config(port="/dev/serial/by-id/board", query="R", pattern=PATTERN, unit="mV", timeout_s=1.0)


@pytest.fixture
def board(clock):
    def make(conversation, config=CONFIG):
        port = ScriptedPort(clock, conversation)
        return LineBoard(over(port, clock), clock, config), port

    return make


def test_a_query_is_answered(board, clock):
    device, port = board([(b"R\r", [(0.3, b"-12.5\r")]), (b"R\r", [(0.3, b"+13.25\r")])])
    device.request()
    first = wait_for(device, clock)
    device.request()
    second = wait_for(device, clock)

    assert (first.value, first.unit) == (-12.5, "mV")
    assert second.value == 13.25
    assert second.at_s > first.at_s
    assert port.conversation == []


def test_an_answer_in_pieces_is_one_reading(board, clock):
    device, _ = board([(b"R\r", [(0.1, b"-1"), (0.3, b"2."), (0.5, b"5\r")])])
    device.request()

    assert wait_for(device, clock).value == -12.5


def test_asking_again_while_an_answer_is_due_sends_nothing(board, clock):
    device, port = board([(b"R\r", [(0.3, b"1.0\r")])])
    device.request()
    device.request()

    assert wait_for(device, clock).value == 1.0
    assert port.conversation == []


def test_a_silent_board_is_told_after_its_time_out_and_asked_again(board, clock):
    device, _ = board([(b"R\r", []), (b"R\r", [(0.1, b"1.0\r")])])
    device.request()
    with pytest.raises(DeviceSilentError, match=r"nothing came within 1\.0 s"):
        wait_for(device, clock)
    assert clock.monotonic() < 1.3

    device.request()
    assert wait_for(device, clock).value == 1.0


def test_an_answer_that_came_too_late_is_not_taken_for_the_next(board, clock):
    device, _ = board([(b"R\r", [(1.5, b"11.0\r")]), (b"R\r", [(0.2, b"22.0\r")])])
    device.request()
    with pytest.raises(DeviceSilentError):
        wait_for(device, clock)
    clock.sleep(1.0)
    device.request()

    assert wait_for(device, clock).value == 22.0


@pytest.mark.parametrize(
    "answer", [b"12\r", b"*ER\r", b"nan\r", b"1.0.0\r", b"\xff\xfe1.0\r", b"\r", b"9999.0\r", b"1.0 mV\r"]
)
def test_what_is_not_a_reading_is_none(board, clock, answer):
    device, _ = board([(b"R\r", [(0.1, answer)])])
    device.request()

    with pytest.raises(ReplyError, match="is not a reading"):
        wait_for(device, clock)


def test_a_boards_error_value_is_no_temperature(board, clock):
    config = CONFIG.model_copy(update={"unit": "degC", "error_values": (-4.0,)})
    device, _ = board([(b"R\r", [(0.1, b"-127.00\r")]), (b"R\r", [(0.1, b"-4.0\r")])], config)
    for _ in range(2):
        device.request()
        with pytest.raises(ReplyError):
            wait_for(device, clock)


def test_a_board_that_never_ends_its_line_is_cut_off(board, clock):
    device, _ = board([(b"R\r", [(0.1, b"1" * 1000)])])
    device.request()

    with pytest.raises(ReplyError, match="without an end of line"):
        wait_for(device, clock)


def test_a_pulled_cable_is_told(board, clock):
    device, port = board([(b"R\r", [])])
    device.request()
    port.broken = True

    with pytest.raises(DeviceUnavailableError, match="the port failed"):
        device.poll()


def test_a_continuous_board_needs_no_query(board, clock):
    device, port = board([], CONFIG.model_copy(update={"query": ""}))
    port.say((0.05, b"1.4\r"), (0.1, b"1.5\r"), (0.2, b"1.6\r"))  # the first may be the end of a longer one
    device.request()

    assert wait_for(device, clock).value == 1.5
    assert wait_for(device, clock).value == 1.6
    with pytest.raises(DeviceSilentError):
        wait_for(device, clock)


@settings(deadline=None, max_examples=300, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.binary(max_size=40), max_size=12))
def test_no_bytes_make_it_hang_or_invent_a_reading(clock, pieces):
    port = ScriptedPort(clock, [(b"R\r", [(0.05 * i, piece) for i, piece in enumerate(pieces)])])
    device = LineBoard(over(port, clock), clock, CONFIG)
    device.request()
    asked_s, reading = clock.monotonic(), None
    try:
        while reading is None:
            reading = device.poll()
            clock.sleep(0.05)
    except DriverError:
        pass

    assert clock.monotonic() - asked_s < CONFIG.timeout_s + 0.2
    if reading is not None:
        line = b"".join(pieces).split(b"\r")[0].decode("ascii", errors="replace").strip()
        assert re.fullmatch(PATTERN, line)
        assert float(line) == reading.value


def test_a_name_that_may_be_another_board_tomorrow_is_refused(clock, pins):
    wires = Wires(clock=clock, pins=pins, pulses=None, open_serial=open_serial)
    with pytest.raises(DriverError, match="/dev/serial/by-id"):
        open_board(CONFIG.model_copy(update={"port": "/dev/ttyUSB0"}), wires)


def test_a_port_that_is_not_there_keeps_nothing_from_starting_and_is_named_when_it_is_asked(clock, pins):
    wires = Wires(clock=clock, pins=pins, pulses=None, open_serial=open_serial)
    device = open_board(CONFIG, wires)

    with pytest.raises(DeviceUnavailableError, match="/dev/serial/by-id/board: cannot be opened") as caught:
        device.request()
    assert "opened again by itself" in caught.value.remedy
    assert not device.connection().up


@pytest.mark.parametrize("pattern", [r"\d+", "(?P<value>", "(?P<other>.*)"])
def test_a_pattern_without_a_value_is_refused(pattern):
    with pytest.raises(ValueError, match=r"value|regular expression"):
        Config(port="x", pattern=pattern, unit="mV")


def test_a_board_says_what_it_is_before_it_is_believed(board, clock):
    config = CONFIG.model_copy(update={"identify": "i", "identity": "^PH"})
    device, port = board([(b"i\r", [(0.1, b"PH,2.1\r")]), (b"R\r", [(0.3, b"-12.5\r")])], config)
    device.request()
    assert wait_for(device, clock).value == -12.5
    assert port.conversation == []


def test_another_board_on_that_port_is_refused_until_it_is_the_right_one(board, clock):
    config = CONFIG.model_copy(update={"identify": "i", "identity": "^PH"})
    conversation = [(b"i\r", [(0.1, b"EC,2.1\r")]), (b"i\r", [(0.1, b"PH,2.1\r")]), (b"R\r", [(0.3, b"1.5\r")])]
    device, _ = board(conversation, config)
    device.request()
    with pytest.raises(ReplyError, match="another board answers here"):
        wait_for(device, clock)
    device.request()
    assert wait_for(device, clock).value == 1.5


def test_a_board_that_wants_the_temperature_is_told(board, clock):
    config = CONFIG.model_copy(update={"compensate": "T,{celsius:.1f}"})
    device, _ = board([(b"T,25.4\r", []), (b"R\r", [(0.3, b"2.5\r")])], config)
    device.compensate(25.43)
    device.request()
    assert wait_for(device, clock).value == 2.5
    silent, _ = board([], CONFIG)
    silent.compensate(25.0)  # one that does not want it hears nothing


@pytest.mark.parametrize(
    "wrong", [{"identify": "i"}, {"identify": "i", "identity": "("}, {"compensate": "T,{kelvin}"}, {"compensate": "{"}]
)
def test_half_an_identity_or_a_command_that_cannot_be_written_is_refused(wrong):
    with pytest.raises(ValueError):
        Config.model_validate({**CONFIG.model_dump(), **wrong})


def test_what_a_board_sends_by_itself_is_not_taken_for_its_answer_to_who_it_is(board, clock):
    config = CONFIG.model_copy(update={"query": "", "identify": "i", "identity": "^PH"})
    device, port = board([(b"i\r", [(0.1, b"1.2\r"), (0.2, b"PH,2.1\r")])], config)
    device.request()
    device.request()  # harmless while the question is under way
    for _ in range(4):
        assert device.poll() is None
        clock.sleep(0.1)
    device.request()
    port.say((0.1, b"1.3\r"))

    assert wait_for(device, clock).value == 1.3


def test_a_board_whose_port_was_opened_again_is_not_told_the_temperature_before_it_has_said_what_it_is(clock):
    config = CONFIG.model_copy(update={"identify": "i", "identity": "^PH", "compensate": "T,{celsius:.1f}"})
    port = ScriptedPort(clock, [(b"i\r", [(0.1, b"PH\r")]), (b"R\r", [(0.3, b"1.5\r")]), (b"T,25.0\r", [])])
    device = LineBoard(over(port, clock), clock, config)
    device.request()
    wait_for(device, clock)
    device.compensate(25.0)
    port.broken = True
    assert not device.connection().up
    port.broken = False
    clock.sleep(1.0)

    with pytest.raises(DeviceUnavailableError, match="has not said yet what it is"):
        device.compensate(25.0)
    assert port.conversation == []
