"""What an electrode does beside Nernst: each truth by its own definition, and none of it where none is asked for."""

import numpy as np
import pytest

from saltern.clock import VirtualClock
from saltern.config.loading import bench_from
from saltern_drivers.twin.electrode import Electrode
from saltern_drivers.twin.scenario import Play, Scenario
from saltern_drivers.twin.unruly_electrode import UnrulyElectrode, Wander
from tests.twin_bench import bench_table

BENCH = bench_from(bench_table(), where="test").model_dump()
PLAIN = {
    "e7_mv": 0.0, "slope": 1.0, "offset_error_mv": 0.0, "slope_error": 1.0, "drift_mv_per_s": 0.0, "lag_s": 5.0,
    "noise_mv": 0.0,
}  # fmt: skip


def electrode(**truth):
    return UnrulyElectrode(**PLAIN, random=np.random.default_rng(0), **truth)


def settled(one, ph):
    """Return what an electrode shows at a pH in the end."""
    one.aim(ph, 25.0)
    one.advance(one.at_s + 3600.0)
    return one.read()


@pytest.mark.parametrize("ph", [4.0, 7.0])
def test_curvature_is_nothing_at_ph_4_and_7(ph):
    assert settled(electrode(curvature_mv=2.0), ph) == pytest.approx(settled(electrode(), ph))


def test_curvature_at_ph_8_is_the_departure_from_the_line_through_4_and_7():
    bent = electrode(curvature_mv=2.0)
    at_4, at_7, at_8 = (settled(bent, ph) for ph in (4.0, 7.0, 8.0))

    assert at_8 - (at_7 + (at_7 - at_4) / 3.0) == pytest.approx(2.0)


def test_a_slow_share_of_a_step_comes_with_its_own_time():
    one = electrode(slow_share=0.1, slow_lag_s=100.0)
    before, after = settled(one, 7.0), 3 * 59.159
    one.aim(4.0, 25.0)
    seen = []
    for _ in range(400):
        one.advance(one.at_s + 0.25)
        seen.append(one.read() - before)

    assert seen[-1] == pytest.approx(after * (1.0 - 0.1 * np.exp(-1.0) / 0.95), rel=0.005)  # 100 s, 20 lags


def test_hysteresis_leaves_the_last_direction_in_the_signal():
    one = electrode(hysteresis_mv=0.4)
    settled(one, 8.0)
    falling = settled(one, 6.0)
    settled(one, 4.0)
    rising = settled(one, 6.0)

    assert rising - falling == pytest.approx(0.8)


def test_stirring_adds_in_proportion_to_its_speed():
    world = Play(
        Scenario.model_validate({"seed": 3, "days": 1.0, "twin": {"truth": {
            "stirring_potential_mv": 2.0, "electrode_noise_mv": 0.0}}}), BENCH, VirtualClock()
    ).world  # fmt: skip
    still = world.ph_signal_mv()
    world.stirrer = 0.5

    assert world.ph_signal_mv() - still == pytest.approx(1.0)


def test_e0_wanders_as_far_in_a_day_as_it_says_and_twice_as_far_in_four():
    walks = [Wander(0.4, 0.0, 3.0, np.random.default_rng(seed)) for seed in range(400)]
    day, four = (np.std([walk.at(days * 86400.0) for walk in walks]) for days in (1.0, 4.0))

    assert day == pytest.approx(0.4, rel=0.1)
    assert four == pytest.approx(0.8, rel=0.1)


def test_e0_is_knocked_as_often_as_it_says():
    walks = [Wander(0.0, 2.0 / 30.0, 3.0, np.random.default_rng(seed)) for seed in range(300)]
    jumps = [j for walk in walks for j in np.diff([walk.at(3600.0 * h) for h in range(30 * 24)]) if j]

    assert len(jumps) / 300 == pytest.approx(2.0, rel=0.15)
    assert np.std(jumps) == pytest.approx(3.0, rel=0.1)


def test_where_e0_has_gone_does_not_depend_on_when_it_was_looked_at():
    often, once = (Wander(0.4, 0.1, 3.0, np.random.default_rng(5)) for _ in range(2))
    for second in range(0, 500_000, 777):
        often.at(second)

    assert often.at(500_000.0) == once.at(500_000.0)


def test_a_near_world_has_the_plain_electrode():
    world = Play(Scenario(seed=3, days=1.0), BENCH, VirtualClock()).world

    assert type(world.electrode) is Electrode
