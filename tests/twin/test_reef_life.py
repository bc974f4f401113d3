"""The tank's side of a scenario in the twin: what is stated and what is true, and the account of it."""

import numpy as np
import pytest
from pydantic import ValidationError

from saltern.clock import VirtualClock
from saltern.config.loading import bench_from
from saltern_drivers.twin.reef_life import Given, Wander, umol_kg_per_dkh
from saltern_drivers.twin.scenario import Play, Scenario
from tests.twin_bench import bench_table

BENCH = bench_from(bench_table(), where="test").model_dump()
STILL = {"volume_l": 300.0, "consumption_dkh_per_day": 0.0, "dosed_dkh_per_day": 0.0}
HOUR_S, DAY_S = 3600.0, 86400.0


def played(days, tank=None, truth=None, events=(), seed=3, **more):
    """Return a play whose time has passed with no service on it."""
    scenario = {"seed": seed, "days": days, "tank": tank or {}, "event": list(events), **more}
    scenario["twin"] = {"truth": truth or {}}
    play = Play(Scenario.model_validate(scenario), BENCH, VirtualClock())
    for _ in range(round(24 * days)):
        play.clock.sleep(HOUR_S)
    play.world.tank.advance(play.clock.monotonic())
    return play


def risen_dkh(play, per_dkh=None):
    tank = play.world.tank
    return (tank.alkalinity_umol_kg - 2450.0) / (per_dkh or umol_kg_per_dkh(35.0))


def test_a_german_degree_of_seawater_is_what_its_definition_says():
    """10 mg/L of CaO is 0.35665 meq/L; a litre of S 35 at 20 degC weighs 1.02476 kg (gsw, TEOS-10)."""
    assert umol_kg_per_dkh(35.0) == pytest.approx(356.650 / 1.02476, rel=2e-5)


def test_a_dose_rises_by_the_true_volume_and_strength():
    dose = {"at_h": 5.0, "kind": "dose", "dkh": 0.6}
    play = played(0.5, STILL, {"tank_volume_l": 330.0, "dose_percent": 4.0}, [dose])

    assert risen_dkh(play) == pytest.approx(0.6 * 300.0 / 330.0 * 1.04)


def test_volume_and_strength_are_drawn_where_they_are_not_set():
    plays = [played(0.1, STILL, seed=seed) for seed in range(60)]
    over = [play.tank_volume_l / 300.0 for play in plays]
    strength = [play.world.tank.given.over_logged * ratio for play, ratio in zip(plays, over, strict=True)]

    assert np.std(over) == pytest.approx(0.015, rel=0.3)  # 3 % is k = 2
    assert np.std(strength) == pytest.approx(0.01, rel=0.3)


def test_a_scenario_that_says_nothing_of_its_tank_has_the_tank_that_it_states():
    play = played(0.1)

    assert play.tank_volume_l == 400.0
    assert play.world.tank.given == Given(1.0, 0.0, 3)


def test_a_water_change_mixes_by_the_true_volume():
    change = {"at_h": 1.0, "kind": "water-change", "litres": 33.0, "alkalinity_umol_kg": 2950.0, "salinity": 36.0}
    tank = played(0.2, STILL, {"tank_volume_l": 330.0}, [change]).world.tank

    assert tank.alkalinity_umol_kg == pytest.approx(2500.0)
    assert tank.salinity == pytest.approx(35.1)


def test_consumption_and_dosing_go_on_as_an_event_says():
    events = [
        {"at_h": 24.0, "kind": "consumption", "dkh_per_day": 1.5},
        {"at_h": 24.0, "kind": "dosing", "dkh_per_day": 0.5},
    ]
    tank = {"volume_l": 300.0, "consumption_dkh_per_day": 1.0, "dosed_dkh_per_day": 1.0}
    play = played(2.0, tank, {"tank_volume_l": 300.0, "dose_percent": 0.0}, events)

    assert risen_dkh(play) == pytest.approx(-1.0)
    assert play.of_day(1)["consumption_dkh_per_day"] == pytest.approx(1.0)
    assert play.of_day(2) == pytest.approx(
        {"consumption_dkh_per_day": 1.25, "net_dkh_per_day": -0.5, "alkalinity_dkh": play.of_day(2)["alkalinity_dkh"]}
    )


def test_the_account_of_a_day_is_its_mean_level_and_the_rates_of_seven():
    tank = {"volume_l": 300.0, "consumption_dkh_per_day": 1.0, "dosed_dkh_per_day": 0.0, "swing": 0.0}
    play = played(9.0, tank)
    start = 2450.0 / umol_kg_per_dkh(35.0)

    assert play.of_day(1)["alkalinity_dkh"] == pytest.approx(start - 0.5, abs=1e-6)
    assert play.of_day(9)["alkalinity_dkh"] == pytest.approx(start - 8.5, abs=1e-6)
    assert play.of_day(9)["net_dkh_per_day"] == pytest.approx(-1.0)


@pytest.mark.parametrize("swing", [0.0, 0.5])
def test_noon_takes_more_than_midnight_by_the_swing(swing):
    play = played(0.1, {"volume_l": 300.0, "consumption_dkh_per_day": 1.0, "dosed_dkh_per_day": 0.0, "swing": swing})
    tank = play.world.tank
    rates = []
    for hour in (12, 24):
        tank.advance((hour - 0.1) * HOUR_S)
        before = tank.account.now.taken
        tank.advance((hour + 0.1) * HOUR_S)
        rates.append(tank.account.now.taken - before)

    assert rates[0] / rates[1] == pytest.approx((1.0 + swing) / (1.0 - swing), rel=0.01)


def test_consumption_wanders_by_its_standard_deviation_and_forgets_in_its_time():
    """Variance sd^2, correlation exp(-t / tau): Gillespie 1996, Phys. Rev. E 54, 2084."""
    wander = Wander(0.1, 2.0, seed=1)
    values = np.array([wander.next() for _ in range(144 * 2000)])

    assert np.std(values) == pytest.approx(0.1, rel=0.05)
    assert np.corrcoef(values[: -2 * 144], values[2 * 144 :])[0, 1] == pytest.approx(np.exp(-1.0), abs=0.05)


def test_the_course_of_a_wander_does_not_hang_on_who_looks():
    tank = {"volume_l": 300.0, "wander_dkh_per_day": 0.1}
    often, seldom = (played(1.0, tank).world.tank for _ in range(2))
    for minute in range(24 * 60):
        often.advance(DAY_S + 60.0 * minute)
    often.advance(2.0 * DAY_S)
    seldom.advance(2.0 * DAY_S)

    assert often.alkalinity_umol_kg == pytest.approx(seldom.alkalinity_umol_kg, abs=1e-6)


def test_a_doser_scatters_from_day_to_day():
    given = Given(1.0, 0.05, seed=4)
    days = [given.on(day) for day in range(500)]

    assert np.std(days) == pytest.approx(0.05, rel=0.1)
    assert given.on(7) == days[7]


@pytest.mark.parametrize(
    ("what", "says"),
    [
        ({"event": [{"at_h": 1, "kind": "dose"}]}, "dose needs dkh"),
        ({"event": [{"at_h": 1, "kind": "dose", "dkh": 1, "litres": 2}]}, "litres is not of dose"),
        (
            {"event": [{"at_h": 1, "kind": "water-change", "litres": 500, "alkalinity_umol_kg": 1}]},
            "more than the tank",
        ),
        ({"event": [{"at_h": 1, "kind": "feeding"}]}, "water-change"),
        ({"twin": {"detail": "coarse"}}, "'wire' or 'result'"),
    ],
)
def test_what_cannot_be_played_is_refused_with_its_reason(what, says):
    with pytest.raises(ValidationError, match=says):
        Scenario.model_validate({"seed": 1, "days": 1.0, **what})


def test_a_keeper_measures_references_from_the_second_day_on():
    scenario = Scenario.model_validate(
        {
            "seed": 1,
            "days": 17.0,
            "keeper": {"reference_every_d": 7},
            "operator": [{"at_h": 5.0, "command": ["standardise"]}],
        }
    )

    assert [act.at_h for act in scenario.acts] == [5.0, 48.0, 216.0, 384.0]
    assert {act.command[0] for act in scenario.acts} == {"standardise"}
    assert all("--alkalinity" in act.command for act in scenario.acts)
