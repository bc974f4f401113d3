"""Liquid that runs by itself: what the waste pump may do at rest, and what alone stops it."""

from datetime import timedelta
from functools import partial
from pathlib import Path

import pytest

from saltern.bench.gate import FORBIDS, HANDS, PROOF_TEST_UNTIL, Hindrance, Purpose
from saltern.bench.relief import Relief
from saltern.cli.logs import quiet_logs
from saltern.cli.simulation import Stage, run
from saltern.config.loading import load_bench, shipped_config
from saltern.errors import InterlockError
from saltern_drivers.twin.liquid import Liquid
from saltern_drivers.twin.scenario import Scenario
from tests.twin_bench import TwinBench

STEP_S = 5.0


@pytest.fixture
def twin():
    made = TwinBench()
    assert made.bench.drain().proved
    return made


def pour(twin, volume_ml):
    """Let water come into the vessel that nobody asked for."""
    twin.world.vessel.pour_in(twin.world.tank.water(volume_ml * 1.0233))
    twin.world._overflow()
    twin.play.wires.pins.refresh_inputs()


def rest(twin, seconds=60.0):
    """Do at rest what the service does; return the drains that came of it."""
    drains = []
    for _ in range(round(seconds / STEP_S)):
        twin.bench.idle(STEP_S)
        drained = twin.bench.relieve()
        if drained is not None:
            drains.append(drained)
    return drains


def acting(twin):
    return {row.name for row in twin.bench.guard.acting}


# A whole service -----------------------------------------------------------------------


def test_a_tank_that_runs_in_through_a_worn_head_is_drained_as_often_as_it_comes():
    """The file says that the tank stands low, and it does not: 432 mL went over the spout in 18 h, and on."""
    quiet_logs()
    found = run(
        Scenario.model_validate(
            {
                "seed": 5,
                "days": 0.25,
                "schedule": {"every_h": 24},
                "twin": {"truth": {"tank_surface_mm": 150.0}},
                "fault": [{"kind": "head-leak", "pump": "sample", "size": 1.0, "at_h": 0.6}],
            }
        ),
        Path(),
    )

    codes = [alert["code"] for alert in found["alerts"]]
    assert found["truth"]["spilled_ml"] == 0.0
    assert codes.index("interlock-overfill") < codes.index("drained-at-rest")
    assert "not-drained-any-more" not in codes
    assert "probes-dry" not in codes  # they would be told of later, and are not the first thing


def test_an_operator_who_has_looked_ends_it_with_a_reset():
    quiet_logs()
    scenario = Scenario.model_validate(
        {
            "seed": 5,
            "days": 0.1,
            "schedule": {"every_h": 24},
            "fault": [{"kind": "leak", "at_h": 1.0, "for_h": 0.2}],
            "operator": [{"at_h": 1.5, "command": ["reset"]}],
        }
    )
    stage = Stage(scenario, load_bench(shipped_config("bench-simulated.toml")), ":memory:")
    stage.play_until(1.4 * 3600.0)
    assert {"interlock-leak", "drained-at-rest"} <= {alert.code for alert in stage.log.service.alerting.standing}
    stage.play_until(1.6 * 3600.0)
    standing = {alert.code for alert in stage.log.service.alerting.standing}
    stage.close()

    assert not standing & {"interlock-leak", "drained-at-rest", "not-drained-any-more"}


# Each drain ----------------------------------------------------------------------------


def test_at_rest_a_float_that_is_up_lets_the_vessel_be_drained_and_again_when_the_level_rises(twin):
    pour(twin, 140.0)
    (first,) = rest(twin, 300.0)
    assert first.proved
    assert "overfill" in acting(twin)
    assert rest(twin, 300.0) == []  # nothing rises: nothing more is done
    pour(twin, 30.0)
    (second,) = rest(twin, 120.0)

    assert second.proved
    assert twin.play.truth()["spilled_ml"] == 0.0
    with pytest.raises(InterlockError):
        twin.bench.guard.demand("sample")


def test_a_drain_that_is_not_proved_is_the_last_one_until_somebody_has_looked(twin):
    pour(twin, 140.0)
    twin.world.waste_passing = 0.0
    (drained,) = rest(twin, 400.0)
    assert not drained.proved
    twin.world.waste_passing = 1.0
    assert rest(twin, 60.0) == []

    twin.world.vessel.take(20.0 * 1.0233)
    twin.play.wires.pins.refresh_inputs()
    rest(twin, 10.0)
    twin.bench.guard.reset("keeper")
    assert rest(twin, STEP_S) == []
    pour(twin, 25.0)
    assert [drained.proved for drained in rest(twin, 200.0)] == [True]


def test_with_a_cell_that_says_nothing_there_is_one_drain_of_the_capacity_at_most(twin):
    twin.play.boards.cables["conductivity"].silent = True
    pour(twin, 140.0)
    before_ml = twin.world.waste_ml
    drains = rest(twin, 600.0)

    assert [drained.proved for drained in drains] == [False]
    assert twin.world.waste_ml - before_ml <= twin.world.capacity_ml
    assert twin.world.volume_ml() < twin.world.overfill_ml


def test_a_wet_tray_lets_the_vessel_be_drained(twin):
    with twin.bench.stage("fill", sample_ml=60.0):
        twin.bench.add("sample", 60.0)
    twin.happens("leak_wet")

    assert [drained.proved for drained in rest(twin, 120.0)] == [True]
    assert rest(twin, 300.0) == []  # the cell is dry: there is nothing to drain


@pytest.mark.parametrize(("attribute", "row"), [("stop_pressed", "stop"), ("waste_ml", "waste-full")])
def test_a_pressed_stop_and_a_full_container_leave_nothing_to_do(twin, attribute, row):
    twin.happens(attribute, True if row == "stop" else 0.96 * twin.world.waste_capacity_ml)
    pour(twin, 140.0)

    assert rest(twin, 60.0) == []
    assert row in acting(twin)


# What stops a drain --------------------------------------------------------------------


def test_a_tray_that_becomes_wet_in_a_drain_stops_it_at_once(twin):
    with twin.bench.stage("fill", sample_ml=60.0):
        twin.bench.add("sample", 60.0)
    twin.clock.call_later(5.0, lambda: twin.happens("leak_wet"))
    with pytest.raises(InterlockError) as caught:
        twin.bench.drain()

    assert caught.value.interlock in {"leak", "drain-leaks"}
    assert "drain-leaks" in acting(twin)
    assert twin.play.truth()["max_moving_s_after_trip"] <= 0.25
    assert rest(twin, 60.0) == []


def test_a_waste_pump_that_fills_is_stopped_when_the_float_has_been_up_for_two_seconds(twin):
    with twin.bench.stage("fill", sample_ml=100.0):
        twin.bench.add("sample", 100.0)
    twin.world._drain = partial(fills_instead, twin.world)
    with pytest.raises(InterlockError) as caught:
        twin.bench.drain()

    assert caught.value.interlock in {"waste-reversed", "overfill"}
    assert "waste-reversed" in acting(twin)
    assert twin.play.truth()["spilled_ml"] == 0.0
    assert rest(twin, 60.0) == []


def fills_instead(world, volume_ml):
    """Move from the container into the vessel, as a pump with its poles changed does."""
    world.vessel.pour_in(Liquid(volume_ml * 1.0233, 0.0, volume_ml * 35.0, volume_ml * 2400.0, volume_ml * 2000.0))


@pytest.mark.parametrize("up_s", [0.5, 1.5])
def test_a_splash_at_the_float_does_not_stop_a_drain(twin, up_s):
    with twin.bench.stage("fill", sample_ml=100.0):
        twin.bench.add("sample", 100.0)
    twin.clock.call_later(5.0, lambda: twin.happens("splash_until_s", twin.clock.monotonic() + up_s))

    assert twin.bench.drain().proved
    assert "waste-reversed" not in acting(twin)


# The rules alone ----------------------------------------------------------------------


def test_the_first_drain_needs_a_reason_and_the_next_a_rise():
    relief = Relief()
    assert not relief.due(latched=False, float_up=True, cell_wet=True)
    assert not relief.due(latched=True, float_up=False, cell_wet=False)  # a wet tray, and an empty vessel
    assert relief.due(latched=True, float_up=True, cell_wet=False)
    relief.drained(proved=True)
    assert not relief.due(latched=True, float_up=True, cell_wet=False)  # a float that is stuck is not a rise
    assert not relief.due(latched=True, float_up=True, cell_wet=None)
    assert not relief.due(latched=True, float_up=False, cell_wet=False)
    assert relief.due(latched=True, float_up=True, cell_wet=None)  # it fell, and came up again
    relief.drained(proved=False)
    assert not relief.due(latched=True, float_up=True, cell_wet=True)
    assert not relief.due(latched=False, float_up=False, cell_wet=True)
    assert relief.due(latched=True, float_up=False, cell_wet=True)  # a new trip after a reset


# The judge ----------------------------------------------------------------------------


def test_the_twins_judge_looks_at_the_ledgers_bound_at_rest_too(twin):
    assert twin.play.bound_held
    pour(twin, 40.0)
    twin.clock.sleep(1.0)

    assert not twin.play.bound_held


def test_hands_that_were_left_at_the_bench_do_not_keep_a_flood_from_being_drained_and_a_proof_test_does():
    """A line left over a beaker takes nothing from a drain; a hand in the vessel lifts the float by itself."""
    assert Hindrance.HANDS not in FORBIDS[Purpose.RELIEF]
    assert Hindrance.PROOF_TEST in FORBIDS[Purpose.RELIEF]

    twin = TwinBench()
    assert twin.bench.drain().proved
    until = (twin.clock.now() + timedelta(minutes=10)).isoformat()
    twin.store.states[PROOF_TEST_UNTIL] = until
    pour(twin, 140.0)
    assert rest(twin, 60.0) == []
    twin.store.states = {HANDS: "calibrate pump"}

    assert [drained.proved for drained in rest(twin, 200.0)] == [True]
