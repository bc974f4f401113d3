"""Flow against head: pumps give less by their percent a metre, as levels of tank, bottle and vessel have it."""

import pytest

from saltern.clock import VirtualClock
from saltern.config.loading import bench_from
from saltern_drivers.twin.back_pressure import bottle_area_cm2
from saltern_drivers.twin.gravity import head_mm
from saltern_drivers.twin.scenario import Play, Scenario
from tests.twin_bench import as_filed, bench_table

CONFIG = bench_from(bench_table(), where="test")
LOSS = 10.0


def world_of(**truth):
    twin = {**as_filed(CONFIG, **{"flow_loss_percent_per_m": LOSS, **truth}), "sample_repeatability": 0.0}
    scenario = Scenario.model_validate({"seed": 3, "days": 1.0, "twin": twin})
    return Play(scenario, CONFIG.model_dump(), VirtualClock()).world


def drawn_ml(world, seconds=10.0):
    """Return what the sample pump brings in so many seconds at its nominal pace."""
    before, head = world.volume_ml(), world.pumps["sample"]
    head.runaway = head.permit_stuck = True
    world.advance(world.at_s + seconds)
    head.runaway = head.permit_stuck = False
    return world.volume_ml() - before


def test_heads_are_lifts_from_surface_to_the_end_in_air_or_to_the_surface_over_it():
    world = world_of()

    assert head_mm(world, "sample") == 85.0 + 200.0
    assert head_mm(world, "titrant") == pytest.approx(50.0 + 10.0 * 61.5 / 20.0)  # the end is under 61.5 mL
    assert head_mm(world, "waste") == pytest.approx(40.0 - 10.0 * 61.5 / 20.0)


def test_a_pump_gives_a_percent_less_as_the_tank_falls_by_a_tenth_of_a_metre():
    """At midnight the tank is full, at noon in the middle, and late at night low, by half of what it swings."""
    given = {}
    for hour in (0, 12, 24):
        world = world_of(tank_level_swing_mm=100.0)
        world.advance(3600.0 * hour - 1e-3 if hour else 1e-3)
        given[hour] = drawn_ml(world, 5.0)

    assert given[0] / given[12] == pytest.approx(1.01, abs=2e-4)
    still = world_of(flow_loss_percent_per_m=0.0)
    still.advance(43200.0)
    assert given[12] == pytest.approx(drawn_ml(still, 5.0), rel=2e-4)


def test_a_tank_that_was_topped_up_is_full_again():
    world = world_of(tank_level_swing_mm=100.0)
    shares = []
    for hour in (1, 23, 25):
        world.advance(3600.0 * hour)
        shares.append(world.given("sample"))

    assert shares[0] > 1.0 > shares[1]
    assert shares[2] == pytest.approx(shares[0])


def test_titrant_comes_less_as_its_bottle_is_emptied():
    """A bottle of 1 L that is twice as high as wide is 8.6 cm wide: half of it stands 8.6 cm high."""
    world = world_of()
    world._draw(100.0 - world.volume_ml() + 1.5)
    full = world.given("titrant")
    world.bottle_ml -= 500.0
    half = world.given("titrant")

    assert bottle_area_cm2(1000.0) == pytest.approx(58.1, rel=0.01)
    assert full == pytest.approx(1.0, abs=1e-6)
    assert full - half == pytest.approx(LOSS / 100.0 * 0.086, rel=0.01)


def test_a_vessel_that_is_drained_empties_more_slowly_towards_its_end():
    world = world_of()
    high = world.given("waste")
    world._drain(50.0)
    low = world.given("waste")

    assert high - low == pytest.approx(LOSS / 100.0 * 10.0 * 50.0 / 20.0 / 1000.0)


def test_a_calibrated_bench_gives_what_was_calibrated_where_it_was_calibrated():
    world = world_of()

    assert world.given("sample") == 1.0


def test_pumps_that_do_not_feel_heads_cost_nothing_more():
    assert world_of(flow_loss_percent_per_m=0.0).back_pressure is None
