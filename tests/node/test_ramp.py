"""A motion's stages: as many pulses as asked, from standstill to standstill, no faster than the motor can follow."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from saltern_drivers.pump_node import PumpConfig
from tests.node.boards import firmware

NODE = firmware()
MOTIONS = {
    "steps": st.integers(1, 300_000),
    "rate": st.integers(80, 20_000),
    "start": st.integers(20, 20_000),
    "acceleration": st.integers(100, 1_000_000),
}


def speeds(stages):
    """Return each stage as (pulses before it, its pulses, steps a second)."""
    before, found = 0, []
    for pulses, ticks in stages:
        found.append((before, pulses, NODE.TICKS_PER_S / ticks))
        before += pulses
    return found


@given(**MOTIONS)
def test_the_steps_of_the_ramps_are_among_those_asked_for(steps, rate, start, acceleration):
    stages = NODE.stages(steps, rate, start, acceleration)

    assert sum(pulses for pulses, _ in stages) == steps
    assert all(pulses > 0 for pulses, _ in stages)
    assert len(stages) <= 200


@given(**MOTIONS)
def test_no_pulse_is_faster_than_constant_acceleration_from_standstill_allows(steps, rate, start, acceleration):
    """v² = v0² + 2 a s, the kinematics of every textbook, from both ends of the motion."""
    for before, pulses, speed in speeds(NODE.stages(steps, rate, start, acceleration)):
        after = steps - before - pulses
        assert speed <= rate
        assert speed <= math.sqrt(min(start, rate) ** 2 + 2.0 * acceleration * (min(before, after) + 1))


@given(**MOTIONS)
def test_it_begins_and_ends_at_the_start_rate(steps, rate, start, acceleration):
    stages = NODE.stages(steps, rate, start, acceleration)

    for _, ticks in (stages[0], stages[-1]):
        assert NODE.TICKS_PER_S / ticks == pytest.approx(min(start, rate), rel=0.01)


@given(**MOTIONS)
def test_it_takes_little_longer_than_an_even_acceleration(steps, rate, start, acceleration):
    start = min(start, rate)
    ramp = (rate**2 - start**2) / (2.0 * acceleration)
    if 2.0 * ramp <= steps:
        ideal_s = 2.0 * (rate - start) / acceleration + (steps - 2.0 * ramp) / rate
    else:
        ideal_s = 2.0 * (math.sqrt(start**2 + acceleration * steps) - start) / acceleration
    took_s = sum(n * ticks for n, ticks in NODE.stages(steps, rate, start, acceleration)) / NODE.TICKS_PER_S

    assert took_s >= 0.98 * ideal_s - 4.0 / start
    assert took_s <= 1.10 * ideal_s + 4.0 / start


@given(**MOTIONS, at_ms=st.integers(-50, 400_000))
def test_what_must_be_done_by_a_time_agrees_with_the_pulses_sent_one_by_one(steps, rate, start, acceleration, at_ms):
    stages = NODE.stages(min(steps, 3000), rate, start, acceleration)
    at_ticks, begun, now = at_ms * NODE.TICKS_PER_S // 1000, 0, 0
    for _, pulses, speed in speeds(stages):
        for _ in range(pulses):
            begun += now <= at_ticks
            now += round(NODE.TICKS_PER_S / speed)

    assert NODE.due(stages, at_ms) == begun


@given(st.integers(0, 10**14))
def test_the_root_is_the_whole_part_of_the_square_root(value):
    assert NODE.root(value) == math.isqrt(value)


def test_every_motion_begins_from_standstill_with_a_ramp_and_a_motor_at_rest(host):
    """Enabled 50 ms before its first pulse, held 50 ms after its last; a second motion at once is no exception."""
    for steps in (3000, 40):
        assert host.turn(steps).at_least == steps
        host.clock.sleep(0.1)
        told = {what: ms for ms, what in host.port.look()["told"][2]}
        plan_ms = NODE.lasts_ms(NODE.stages(steps, 2000, 400, 10_000))

        assert told["sent"] - told["held"] >= NODE.SETTLE_MS
        assert plan_ms <= told["halted"] - told["sent"] <= plan_ms + 20
        assert NODE.SETTLE_MS <= told["freed"] - told["halted"] <= NODE.SETTLE_MS + 20


def test_a_halted_motor_loses_its_current_too(here):
    here.permit.kick()
    here.pump.start(20_000)
    for _ in range(5):
        here.pump.progress()
        here.clock.sleep(0.1)
        here.permit.kick()
    assert here.port.look()["held"] == [False, False, True]
    here.permit.drop()
    here.clock.sleep(0.1)
    assert here.port.look()["held"] == [False, False, False]


@settings(max_examples=200)
@given(**{**MOTIONS, "start": st.integers(20, 400)})
def test_a_bench_file_whose_ramps_take_long_is_refused_and_others_fit_the_nodes_bound(steps, rate, start, acceleration):
    table = {
        "port": "/dev/node",
        "pump": "sample",
        "steps_per_s": rate,
        "start_steps_per_s": start,
        "acceleration_steps_per_s2": acceleration,
    }
    lasts_ms = NODE.lasts_ms(NODE.stages(70 * rate, rate, start, acceleration))
    longer_s = max(0, rate - start) ** 2 / (acceleration * rate)  # by two even ramps
    if longer_s > 1.0:
        with pytest.raises(ValueError, match="raise acceleration_steps_per_s2"):
            PumpConfig(**table)
    else:
        PumpConfig(**table)
        assert lasts_ms <= 72_000 < 1000 * NODE.LONGEST_S
