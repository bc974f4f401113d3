"""The node's count is read from its counter; where that and the clock contradict each other, both are its ends."""

import pytest

from saltern.ports import DeviceUnavailableError, DriverError
from tests.node.boards import firmware


def running(host, steps=20_000, for_s=1.0):
    host.permit.kick()
    host.pump.start(steps)
    end_s = host.clock.monotonic() + for_s
    while host.clock.monotonic() < end_s:
        progress = host.pump.progress()
        assert progress.at_least <= host.total() <= progress.at_most
        host.clock.sleep(0.1)
        host.permit.kick()


@pytest.mark.parametrize("counter", ["dead", "blind", "noisy"])
def test_a_count_that_contradicts_the_clock_is_an_interval_and_said(host, counter):
    host.port.look(counter=counter)
    progress, error = host.ends(3000)

    assert progress.at_least <= host.total() == 3000 <= progress.at_most
    assert progress.at_least < progress.at_most
    assert "contradicts its clock" in str(error)
    assert host.port.look()["disagreed"] == 4


@pytest.mark.parametrize("counter", ["dead", "blind", "noisy"])
def test_so_it_is_while_the_pump_turns_and_after_the_node_has_halted_it(here, counter):
    here.port.look(counter=counter)
    running(here)
    here.permit.drop()
    with pytest.raises(DriverError, match="contradicts its clock"):
        here.follow()
    progress = here.pump.progress()

    assert progress.at_least <= here.total() <= progress.at_most
    assert progress.at_most - progress.at_least > 50


def test_a_step_that_a_disturbance_added_is_doubted_and_the_motion_goes_on(here):
    """One in a thousand makes a result less certain; what the bench does with doubt is its own (test_doubted_steps)."""
    motor = here.port.board.board.motors[2]
    count = motor.count
    motor.count = lambda: count() + (1 if motor.sent() == 3000 else 0)
    progress, error = here.ends(3000)

    assert error is None
    assert (progress.at_least, progress.at_most) == (3000, 3001)
    assert "contradicts its clock" in progress.doubt
    motor.count = count
    assert here.turn(3000).doubt == ""


def test_steps_that_the_pin_did_not_show_are_doubted(here):
    motor = here.port.board.board.motors[2]
    count = motor.count
    motor.count = lambda: max(0, count() - 4)
    progress, error = here.ends(3000)

    assert error is None
    assert (progress.at_least, progress.at_most) == (2996, 3000)
    assert "between 2996 and 3000" in progress.doubt


def test_a_counter_that_does_not_answer_at_boot_keeps_the_node_from_turning(here):
    here.port.board.board.make_motor = lambda clock: deaf(clock, here.port.board.board.motors[0])
    here.port.look(boot=9)
    progress, error = here.ends(100)

    assert "counter does not answer" in str(error)
    assert (progress.at_most, here.total()) == (0, 0)


def deaf(clock, like):
    motor = type(like)(clock)
    motor.counter = "dead"
    return motor


@pytest.mark.parametrize(("version", "said"), [(1, "Put this release's"), (3, "Bring the service up to date")])
def test_firmware_of_another_map_is_refused_with_what_to_do(here, version, said):
    def as_version(data):
        if len(data) < 80:
            return data
        body = data[:3] + version.to_bytes(2, "big") + data[5:-2]
        return body + firmware().crc16(body)

    here.port.to_host = as_version
    here.permit.kick()
    here.pump.start(500)
    with pytest.raises(DeviceUnavailableError, match=f"register map {version}") as caught:
        here.follow()
    assert said in caught.value.remedy
    assert here.pump.progress().at_most == 0
    assert here.total() == 0


def test_a_motion_that_the_hardware_never_ends_is_ended_by_the_clock(here):
    motor = here.port.board.board.motors[2]
    motor.ended = lambda: False
    progress, _ = here.ends(1000, until_s=6.0)

    assert not progress.running
    assert progress.at_least == progress.at_most == here.total() == 1000


def test_what_no_motion_can_be_is_refused_by_the_node(here):
    """Steps, rate, start rate and acceleration of nothing; a rate that no motor has; a motion of hours."""
    node, wide = here.port.board.board.node, (0, 0)
    node.permitted, node.permitted_ms = 7, here.port.board.board.clock.now_ms
    good = [1, 0, *wide[:1], 500, 0, 2000, 0, 400, 0, 10_000]
    for at, value in ((0, 0), (1, 2), (3, 0), (5, 0), (7, 0), (9, 0), (4, 9), (2, 900)):
        values = list(good)
        values[at] = value
        assert node._move(0, values, here.port.board.board.clock.now_ms) == 3
    slow = [1, 0, 1, 64_000, 0, 2000, 0, 20, 0, 1]
    assert node._move(0, slow, here.port.board.board.clock.now_ms) == 3
    assert node._move(0, good, here.port.board.board.clock.now_ms) == 0
