"""The slow truths of an unfriendly world, each seen in what the world does: room, pumps, titrant, falling water."""

import numpy as np
import pytest

from saltern.clock import VirtualClock
from saltern.config.loading import bench_from
from saltern_drivers.twin.scenario import Play, Scenario
from saltern_drivers.twin.seasons import MONTH_S, YEAR_S, IdleLine
from tests.twin_bench import as_filed, bench_table

CONFIG = bench_from(bench_table(), where="test")
DAY_S = 86400.0


def play(**truth):
    scenario = {"seed": 3, "days": 1.0, "twin": {**as_filed(CONFIG, **truth), "sample_repeatability": 0.0}}
    return Play(Scenario.model_validate(scenario), CONFIG.model_dump(), VirtualClock())


def after(one, days):
    """Let days pass in steps of an hour; return the world."""
    for _ in range(round(24 * days)):
        one.clock.sleep(3600.0)
    return one.world


def given(one, pump):
    return one.world.pumps[pump].ml_per_unit / one.world.real[f"{pump}_ml_per_unit"]


def test_a_room_swings_by_its_amplitude_about_its_mean_and_is_warmest_in_the_afternoon():
    seasons = play(room_swing_k=3.0, room_c=22.0).world.seasons
    hours = [seasons.room_c(3600.0 * hour) for hour in range(24)]

    assert max(hours) == pytest.approx(25.0)
    assert hours.index(max(hours)) == 15
    assert np.mean(hours) == pytest.approx(22.0)


def test_a_year_has_its_season():
    seasons = play(room_season_k=4.0).world.seasons

    assert seasons.room_c(YEAR_S / 4) - seasons.room_c(3 * YEAR_S / 4) == pytest.approx(8.0)


def test_a_vessel_goes_to_the_rooms_temperature_of_the_hour():
    one = play(room_swing_k=5.0)
    seen = [after(one, 1 / 24).temperature_c for _ in range(48)][24:]

    assert 6.0 < max(seen) - min(seen) < 10.0  # a time constant of 40 min behind a day


@pytest.mark.parametrize(
    ("name", "pump", "gives"),
    [
        ("titre_ramp_percent_per_month", "titrant", 1.0 / 1.01),  # it gives less, and results rise by the percent
        ("sample_ramp_percent_per_month", "sample", 1.01),
    ],
)
@pytest.mark.parametrize("from_h", [0.0, 48.0])
def test_a_ramp_is_so_many_percent_in_thirty_days_from_its_beginning(name, pump, gives, from_h):
    one = play(**{name: 2.0, "ramp_from_h": from_h})
    one.clock.sleep(3600.0 * from_h)
    assert given(one, pump) == 1.0
    one.clock.sleep(MONTH_S / 2)
    other = {"titrant": "sample", "sample": "titrant"}[pump]

    assert given(one, pump) == pytest.approx(gives, abs=1e-4)
    assert given(one, other) == 1.0


def test_pumps_give_more_in_a_warmer_room():
    one = play(room_swing_k=4.0, flow_percent_per_k=0.5)
    one.clock.sleep(15.0 * 3600.0)

    assert given(one, "titrant") == given(one, "sample") == pytest.approx(1.02, abs=1e-4)


def test_water_that_leaves_the_bottle_takes_no_acid_with_it():
    one = play(evaporation_g_per_day=2.0)
    world = one.world
    acid, bottle = world.titrant_umol_ml * world.bottle_ml, world.bottle_ml
    after(one, 10)

    assert bottle - world.bottle_ml == pytest.approx(20.0, rel=0.01)
    assert world.titrant_umol_ml * world.bottle_ml == pytest.approx(acid)
    one.refill_titrant()
    assert world.titrant_umol_ml * world.bottle_ml == pytest.approx(acid)


def test_what_stood_in_the_titrant_line_is_given_first_and_is_stronger():
    line = IdleLine(line_ml=0.5, share_per_s=0.1 / DAY_S)
    line.stand(DAY_S)

    assert line.give(0.3) == pytest.approx(0.03)
    assert line.give(0.3) == pytest.approx(0.02)
    assert line.give(0.3) == 0.0
    line.stand(DAY_S / 2)
    assert line.give(1.0) == pytest.approx(0.025)


def test_acid_from_an_idle_line_is_more_acid():
    one = play(permeation_percent_per_day=10.0)
    world = after(one, 2)
    world.tip_missing_umol = 0.0
    world.tip_idle_since_s = world.at_s
    before = world.vessel.alkalinity
    world._dose(0.2)

    assert before - world.vessel.alkalinity == pytest.approx(0.2 * 1.2 * world.titrant_umol_ml * 1000.0, rel=0.005)


def test_falling_water_goes_its_share_of_the_way_to_the_airs_co2():
    carbon = {}
    for share in (0.0, 0.5, 1.0):
        one = play(filling_co2_share=share, air_pco2_uatm=5000.0)
        one.world.line_stale_ml = 0.0
        one.world._drain(1000.0)
        before = one.world.vessel.carbon
        one.world._draw(50.0)
        carbon[share] = one.world.vessel.carbon - before

    assert carbon[1.0] > carbon[0.0]
    assert carbon[0.5] - carbon[0.0] == pytest.approx(0.5 * (carbon[1.0] - carbon[0.0]), rel=1e-6)


def test_co2_leaves_towards_the_air_of_the_room():
    """In acid all carbon is CO2: K0 times its pressure. Weiss 1974: ln K0 -3.5617 at S 35, 25 degC, mol/(kg atm)."""
    one = play(air_pco2_uatm=2000.0, room_c=25.0)
    one.world.vessel.alkalinity = -500.0 * one.world.vessel.mass_g
    one.world.stirrer = 1.0
    after(one, 1)

    assert one.world.vessel.carbon / one.world.vessel.mass_g == pytest.approx(2000.0 * np.exp(-3.5617), rel=0.01)


def test_a_world_where_nothing_changes_costs_nothing_more():
    assert play().world._season_s == float("inf")
