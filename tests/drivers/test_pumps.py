"""A pump ends by itself, whatever is or is not asked of it; counts are exact."""

import threading
from contextlib import closing

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from saltern.bench.under_way import OVERTIME_FACTOR, OVERTIME_S
from saltern.ports import DeviceUnavailableError, Direction, MisuseError
from saltern_drivers import gpio_stepper_pump, gpio_timed_pump

STEPPER = {"step_pin": 17, "direction_pin": 27, "enable_pin": 22, "steps_per_s": 2000}


@pytest.fixture
def timed(wires):
    return gpio_timed_pump.open_pump(gpio_timed_pump.Config(pin=12, longest_s=30.0), wires)


@pytest.fixture
def stepper(wires):
    return gpio_stepper_pump.open_pump(gpio_stepper_pump.Config(**STEPPER), wires)


def run_to_end(pump, clock, every_s=0.1, most=100_000):
    for _ in range(most):
        if not pump.progress().running:
            return
        clock.sleep(every_s)
    pytest.fail("the pump does not end")


def test_a_timed_pump_ends_by_itself_though_nobody_looks(timed, clock, pins):
    timed.start(5.0)
    assert pins.pin(12).state == 1.0

    clock.sleep(60.0)

    assert pins.pin(12).state == 0.0
    assert timed.progress().at_most == pytest.approx(5.0)


def test_a_timed_pump_halted_says_how_long_it_ran(timed, clock, pins):
    timed.start(5.0)
    clock.sleep(2.0)
    timed.halt()
    timed.halt()

    assert pins.pin(12).state == 0.0
    assert timed.progress().at_least == pytest.approx(2.0)
    clock.sleep(10.0)
    assert timed.progress().at_least == pytest.approx(2.0)


@pytest.mark.parametrize("amount", [0.0, -1.0, 30.1, float("nan"), float("inf")])
def test_a_timed_pump_refuses_what_is_out_of_range(timed, pins, amount):
    with pytest.raises(MisuseError):
        timed.start(amount)

    assert pins.pin(12).state == 0.0


def test_a_timed_pump_turns_one_way_only(timed):
    with pytest.raises(MisuseError, match="one way"):
        timed.start(1.0, Direction.REVERSE)


def test_a_running_pump_refuses_a_second_start(timed, stepper):
    timed.start(1.0)
    stepper.start(100)

    with pytest.raises(MisuseError, match="running already"):
        timed.start(1.0)
    with pytest.raises(MisuseError, match="running already"):
        stepper.start(1)


@settings(deadline=None, max_examples=1000, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(1, 20_000), st.lists(st.floats(0.001, 3.0), min_size=1, max_size=20))
def test_a_counted_dose_sends_each_step_once_however_late_the_host_looks(wires, clock, steps, stalls):
    with closing(gpio_stepper_pump.open_pump(gpio_stepper_pump.Config(**STEPPER), wires)) as pump:
        before = wires.pulses.gone_out()
        pump.start(steps)
        for stall in stalls:
            pump.progress()
            clock.sleep(stall)
        run_to_end(pump, clock)

        progress = pump.progress()
        assert wires.pulses.gone_out() - before == progress.at_most
        assert progress.at_most == steps or len(stalls) > 2  # every motion may be started again twice
        assert (progress.at_least == steps) is (progress.doubt == "")


def test_a_host_that_looks_in_time_is_in_no_doubt(stepper, wires, clock):
    stepper.start(20_000)
    run_to_end(stepper, clock)

    assert (stepper.progress().at_least, stepper.progress().doubt) == (20_000, "")


def test_a_motor_that_ran_dry_at_speed_is_started_gently_and_its_last_steps_are_in_doubt(stepper, wires, clock):
    stepper.start(20_000)
    for _ in range(20):
        clock.sleep(0.1)
        stepper.progress()
    clock.sleep(3.0)  # the host looks away
    trains = len(wires.pulses.trains)
    run_to_end(stepper, clock)

    _, (begins, ends, pulses), *_ = wires.pulses.trains[trains:]  # after the time to settle
    assert pulses / (ends - begins) == pytest.approx(400, rel=0.01)
    progress = stepper.progress()
    assert progress.at_most == 20_000
    assert 0 < 20_000 - progress.at_least <= 2000 * 0.3
    assert "too late" in progress.doubt


def test_pulses_that_may_have_come_late_are_in_doubt_and_the_motor_is_started_again(stepper, wires, clock):
    stepper.start(20_000)
    for _ in range(20):
        clock.sleep(0.1)
        stepper.progress()
    wires.pulses.waited_s += 0.006  # the pulse thread waited for a processor: twelve steps of 0.5 ms
    run_to_end(stepper, clock)

    progress = stepper.progress()
    assert progress.at_most == 20_000 == wires.pulses.gone_out()
    assert 0 < 20_000 - progress.at_least <= 2000 * 0.4
    assert "6 ms late" in progress.doubt


def test_a_rotor_catches_up_with_a_pulse_that_is_one_step_late(stepper, wires, clock):
    stepper.start(20_000)
    while stepper.progress().running:
        wires.pulses.waited_s += 0.002
        clock.sleep(0.1)

    assert stepper.progress().at_least == 20_000


@pytest.mark.parametrize("steps", [500, 5000, 50_000])
def test_a_motion_that_comes_into_doubt_all_the_time_ends_before_the_bench_takes_it_for_one_that_does_not(
    stepper, wires, clock, steps
):
    stepper.start(steps)
    began_s = clock.monotonic()
    while stepper.progress().running:
        wires.pulses.waited_s += 0.01
        clock.sleep(0.1)

    assert clock.monotonic() - began_s < OVERTIME_FACTOR * steps / stepper.rate + OVERTIME_S
    assert stepper.progress().doubt


@settings(deadline=None, max_examples=80, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(100, 20_000), st.lists(st.floats(0.01, 0.3), max_size=30))
def test_a_halt_leaves_the_truth_within_its_bounds(wires, clock, steps, waits):
    with closing(gpio_stepper_pump.open_pump(gpio_stepper_pump.Config(**STEPPER), wires)) as pump:
        clock.sleep(1.0)  # what the example before has left runs out
        before = wires.pulses.gone_out()
        pump.start(steps)
        for wait in waits:
            clock.sleep(wait)
            pump.progress()
        pump.halt()
        turned = wires.pulses.gone_out() - before  # what follows has no current

        progress = pump.progress()
        assert progress.at_least <= turned <= progress.at_most
        if not progress.doubt:
            assert progress.at_most - progress.at_least <= 0.06 * STEPPER["steps_per_s"]


def test_what_a_halt_leaves_queued_runs_out_before_the_motor_has_current_again(stepper, wires, clock, pins):
    stepper.start(10_000)
    clock.sleep(0.1)
    stepper.progress()
    stepper.halt()
    left_s = wires.pulses.ends_in_s(17)
    assert left_s > 0.05

    stepper.start(500)

    assert pins.pin(22).state == 0
    clock.sleep(left_s + 0.01)
    begun = wires.pulses.gone_out()
    stepper.progress()
    assert pins.pin(22).state == 1
    run_to_end(stepper, clock)
    assert wires.pulses.gone_out() - begun == 500 == stepper.progress().at_least


def test_a_halt_whose_count_fails_queues_nothing_more_and_takes_the_motors_current(
    stepper, wires, clock, pins, monkeypatch
):
    def fail(line):
        raise DeviceUnavailableError("failed", where="gpio", remedy="")

    stepper.start(2000)
    clock.sleep(0.1)
    monkeypatch.setattr(wires.pulses, "sent", fail)
    with pytest.raises(DeviceUnavailableError):
        stepper.halt()
    queued, turned = len(wires.pulses.trains), wires.pulses.gone_out()
    clock.sleep(1.0)
    progress = stepper.progress()

    assert not progress.running
    assert len(wires.pulses.trains) == queued
    assert pins.pin(22).state == 0
    assert progress.at_least <= turned <= progress.at_most


def test_a_dead_host_leaves_at_most_a_fifth_of_a_second(stepper, wires, clock):
    stepper.start(100_000)
    for _ in range(20):
        stepper.progress()
        clock.sleep(0.1)
    stepper.progress()
    sent = wires.pulses.gone_out()

    clock.sleep(1000.0)  # nobody looks any more

    assert wires.pulses.gone_out() - sent <= 0.2 * 2000 + 1


@pytest.mark.parametrize("halted", [False, True])
def test_no_line_of_a_stepper_is_driven_but_while_it_turns(stepper, clock, pins, halted):
    """The direction's level stayed up after each draw-back, as a real kernel's pins showed."""
    assert pins.pin(22).state == 0
    stepper.start(500, Direction.REVERSE)
    assert (pins.pin(22).state, pins.pin(27).state) == (1, 1)

    if halted:
        stepper.halt()
    else:
        run_to_end(stepper, clock)

    assert (pins.pin(22).state, pins.pin(27).state) == (0, 0)
    current, direction = (pins.pin(line).states[-1].timestamp for line in (22, 27))
    assert current <= direction  # without current first: what is queued still turns nothing


def test_outputs_show_no_blip_at_open_and_close(wires, pins):
    timed = gpio_timed_pump.open_pump(gpio_timed_pump.Config(pin=12), wires)
    stepper = gpio_stepper_pump.open_pump(gpio_stepper_pump.Config(**STEPPER), wires)
    timed.close()
    stepper.close()

    for number in (12, 17, 22, 27):
        assert not any(state.state for state in pins.pin(number).states)


def test_a_halt_from_another_thread_stops_a_pump(timed, pins):
    timed.start(20.0)
    thread = threading.Thread(target=timed.halt)
    thread.start()
    thread.join()

    assert pins.pin(12).state == 0.0
    assert not timed.progress().running


def test_a_soft_start_gives_half_power_first_and_ends_in_time(wires, clock, pins):
    pump = gpio_timed_pump.open_pump(gpio_timed_pump.Config(pin=12, soft_start_s=0.3), wires)
    pump.start(2.0)
    powers = []
    for _ in range(12):
        powers.append(pins.pin("GPIO12").state)
        clock.sleep(0.2)

    assert powers[0] == pytest.approx(0.5)
    assert powers[3] == pytest.approx(1.0)
    assert powers[-1] == 0.0
    pump.start(0.1)  # shorter than its soft start: it never comes to full power
    clock.sleep(1.0)
    assert pins.pin("GPIO12").state == 0.0
    pump.close()
