"""The pump node and its host driver against each other: the firmware itself, here and under a real MicroPython."""

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from saltern.ports import Direction, DriverError, MisuseError
from tests.node.boards import Here, OnMicroPython, firmware
from tests.node.host import RATE, Host
from tests.sizes import holds_for


def test_it_is_a_micropython():
    board = OnMicroPython()
    assert board.version.startswith("micropython 1.")
    board.close()


def test_a_motion_is_done_to_the_step_and_ends_by_itself(host):
    progress = host.turn(5000)

    assert (progress.running, progress.at_least, progress.at_most) == (False, 5000, 5000)
    assert host.total() == 5000
    assert host.port.look()["turning"] == [False, False, False]


def test_a_second_motion_and_a_backward_one_follow(host):
    for steps, direction in ((300, Direction.FORWARD), (200, Direction.REVERSE), (300, Direction.FORWARD)):
        assert host.turn(steps, direction=direction).at_least == steps
    assert host.total() == 800


def test_a_host_that_dies_loses_its_pump_within_the_nodes_own_time_out(host):
    host.permit.kick()
    host.pump.start(20_000)
    for _ in range(8):
        host.pump.progress()
        host.clock.sleep(0.1)
        host.permit.kick()
    before = host.total()
    host.clock.sleep(5.0)
    seen = host.port.look()

    assert before > 0
    assert seen["turning"] == [False, False, False]
    assert host.total() - before <= RATE * 0.51
    assert 500 <= seen["unpermitted_ms"] <= 510
    assert seen["latches"] & 1


def test_a_permit_taken_back_stops_at_once(host):
    host.permit.kick()
    host.pump.start(20_000)
    for _ in range(5):
        host.pump.progress()
        host.clock.sleep(0.1)
        host.permit.kick()
    before = host.total()
    host.permit.drop()
    for _ in range(6):
        progress = host.pump.progress()
        host.clock.sleep(0.1)

    assert host.total() - before <= RATE * 0.01
    assert not progress.running
    assert progress.at_least == progress.at_most == host.total()


def test_without_a_permit_nothing_turns_and_the_motion_is_over(host):
    host.pump.start(2000)
    for _ in range(20):
        progress = host.pump.progress()
        host.clock.sleep(0.1)
    assert (progress.running, progress.at_most) == (False, 0)
    assert host.total() == 0


def test_after_its_latch_it_turns_again_when_it_is_acknowledged(host):
    host.permit.kick()
    host.pump.start(20_000)
    for _ in range(5):
        host.pump.progress()
        host.clock.sleep(0.1)
        host.permit.kick()
    host.clock.sleep(3.0)
    assert host.port.look()["latches"] & 1
    host.pump.halt()
    host.connect()

    assert host.turn(1000).at_least == 1000
    assert host.port.look()["latches"] == 0


def test_a_command_sent_again_counts_from_its_first_sending(host):
    """The node turns on the first frame, whose answer is lost: the bound must hold what it does meanwhile."""
    host.permit.kick()
    host.port.to_host = lambda data: b"" if len(data) == 8 and data[1] == 16 and data[3] >= 16 else data
    host.pump.start(20_000)
    for _ in range(7):
        progress = host.pump.progress()
        assert progress.at_least <= host.total() <= progress.at_most
        host.clock.sleep(0.1)
        host.permit.kick()
    assert host.total() > RATE * 0.3


def test_a_command_that_had_to_wait_is_not_sent_after_a_halt(host):
    """What a halted motion had still to send must not turn the pump when the line is next used."""
    for scans in range(1, 12):
        host.permit.kick()
        host.pump.start(200)
        for _ in range(scans):
            host.pump.progress()
            host.clock.sleep(0.003)
        host.pump.halt()
        host.clock.sleep(0.02)
        stood = host.total()
        host.turn(50)

        assert host.total() == stood + 50


def test_a_reset_in_the_middle_leaves_an_interval_that_holds_the_truth(host):
    """Whatever the moment: what the host says then has what was done between its ends."""
    for moment in (0.23, 0.61, 1.07, 1.92):
        before = host.total()
        host.permit.kick()
        host.pump.start(5000)
        nonce = random.Random(moment).randrange(2, 60_000)
        with pytest.raises(DriverError, match="has reset"):
            turn_on(host, moment, nonce)
        progress = host.pump.progress()
        assert not progress.running
        assert progress.at_least <= host.total() - before <= progress.at_most


def turn_on(host, moment, nonce):
    """Go on as the bench does; after a while the node boots."""
    began_s, booted = host.clock.monotonic(), False
    while host.clock.monotonic() - began_s < 10.0:
        host.pump.progress()
        host.clock.sleep(0.1)
        host.permit.kick()
        if not booted and host.clock.monotonic() - began_s >= moment:
            host.port.look(boot=nonce)
            booted = True


def test_lost_garbled_and_repeated_frames_never_do_a_step_too_many(host):
    dice = random.Random(4)
    done = 0
    for _ in range(12):
        host.port.to_node = lambda data: disturbed(dice, data, 0.1)
        host.port.to_host = lambda data: disturbed(dice, data, 0.1)
        before = host.total()
        try:
            progress = host.turn(400)
        except DriverError:
            progress = host.pump.progress()
        host.port.to_node = host.port.to_host = lambda data: data
        host.permit.drop()
        host.clock.sleep(1.0)
        moved = host.total() - before

        assert progress.at_least <= moved <= 400
        assert moved <= progress.at_most
        done += progress.at_least == 400
        host.pump.halt()
    assert done >= 6


def disturbed(dice, data, share):
    """Lose a frame, flip a byte, or let it come twice."""
    if not data or dice.random() > share:
        return data
    kind = dice.randrange(3)
    if kind == 0:
        return b""
    if kind == 1:
        at = dice.randrange(len(data))
        return data[:at] + bytes([data[at] ^ 0x55]) + data[at + 1 :]
    return data + data


def test_reordered_and_repeated_commands_are_one_motion():
    """An old frame that comes again, later, moves nothing; another sequence while it turns is refused."""
    board, crc = Here(), firmware().crc16

    def frame(body):
        return (bytes(body) + crc(bytes(body))).hex()

    def move(sequence, steps):
        return frame(
            [
                *(10, 16, 0, 48, 0, 10, 20, *sequence.to_bytes(2, "big"), 0, 0, 0, 0, steps >> 8, steps & 255),
                *(0, 0, 7, 208, 0, 0, 1, 144, 0, 0, 39, 16),
            ]
        )

    permit = frame([10, 16, 0, 1, 0, 1, 2, 0, 4])
    board.step(now=1000, rx=permit)
    first = board.step(now=1001, rx=move(7, 100))
    again = board.step(now=1010, rx=move(7, 100))
    other = board.step(now=1020, rx=move(8, 100))
    board.step(now=1200, rx=permit)
    late = board.step(now=1201, rx=move(7, 100))

    assert first["tx"] == again["tx"] == late["tx"]
    assert bytes.fromhex(other["tx"])[1:3] == bytes([0x90, 6])
    assert board.step(now=2000)["total"] == [0, 0, 100]


def test_the_stirrer_turns_and_stops_with_the_host(host):
    host.stirrer.set_speed(0.6)
    assert host.port.last["stirred"] == 600
    host.stirrer.close()
    assert host.port.last["stirred"] == 0
    with pytest.raises(MisuseError):
        host.stirrer.set_speed(1.2)


def test_misuse_is_refused(host):
    for amount in (0.0, 0.2, -3.0, 1e9):
        with pytest.raises(MisuseError):
            host.pump.start(amount)


@settings(max_examples=300, deadline=None)
@given(st.lists(st.tuples(st.binary(max_size=40), st.integers(0, 30)), max_size=20))
def test_no_bytes_make_the_node_turn_or_fail(chunks):
    """Without a frame that says so, and a permit, nothing moves; whatever comes, it goes on."""
    board, now = Here(), 0
    for data, pause in chunks:
        now += pause
        seen = board.step(now=now, rx=data.hex())
        assert seen["turning"] == [False, False, False]
    answer = board.step(
        now=now + 1000, rx=(b"\x0a\x04\x00\x00\x00\x02" + firmware().crc16(b"\x0a\x04\x00\x00\x00\x02")).hex()
    )
    assert bytes.fromhex(answer["tx"])[:7] == b"\x0a\x04\x04\x00\x02\x00" + bytes([firmware().FIRMWARE])


def test_its_crc_is_that_of_modbus():
    """Modbus over serial line V1.02, the worked frame 02 07 has CRC 0x1241, sent low byte first: 41 12."""
    assert firmware().crc16(b"\x02\x07") == b"\x41\x12"


def framed(body):
    """Return a frame of the node's number with a right checksum."""
    return bytes([10, *body]) + firmware().crc16(bytes([10, *body]))


ANSWERS = st.one_of(
    st.binary(max_size=90),
    st.binary(min_size=1, max_size=12).map(framed),
    st.just(framed([16, 0, 48, 0, 10])),  # a motion is taken
    st.binary(min_size=80, max_size=80).map(lambda registers: framed([4, 80, *registers])),
    st.binary(min_size=76, max_size=76).map(lambda rest: framed([4, 80, 0, 2, 0, 5, *rest])),  # a report, of nonsense
    st.none(),  # what the node itself says
)


@holds_for(st.lists(ANSWERS, min_size=1, max_size=12), examples=400, in_soak=10_000)
def test_whatever_a_node_answers_the_host_ends_in_time_with_an_error_of_ours(answers):
    host = Host(Here())
    left = list(answers)

    def answer(data):
        said = left.pop(0) if left else b""
        return data if said is None else said

    host.port.to_host = answer
    host.permit.kick()
    host.pump.start(2000)
    began_s = host.clock.monotonic()
    try:
        while host.pump.progress().running:
            host.clock.sleep(0.1)
            assert host.clock.monotonic() - began_s < 12.0
    except DriverError:
        pass
    progress = host.pump.progress()
    assert not progress.running
    assert 0 <= progress.at_least <= progress.at_most
