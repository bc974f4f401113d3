"""What passes by itself needs no person: one sensor in doubt, a cut in the first seconds of a fill, a full disk."""

from pathlib import Path

import pytest

from saltern.cli.logs import quiet_logs
from saltern.cli.simulation import Stage, bench_of, run
from saltern.model.verdict import Verdict
from saltern_drivers.twin.scenario import Scenario
from tests.twin_bench import TwinBench

SOAK = pytest.mark.soak


def played(days=0.3, **fault):
    """Play some hours without a keeper, a determination each three hours."""
    quiet_logs()
    table = {"seed": 11, "days": days, "keeper": {"attentive": False}, "schedule": {"every_h": 3.0}, "fault": [fault]}
    return run(Scenario.model_validate(table), Path())


def verdicts(found):
    return [d["alkalinity"]["verdict"] for d in found["determinations"]]


def tripped(found):
    return {trip["interlock"] for trip in found["trips"] if trip["kind"] == "trip"}


def acting(twin):
    twin.bench.guard.scan()
    return {row.name for row in twin.bench.guard.acting}


# One sensor in doubt ----------------------------------------------------------------------


def test_a_plug_of_the_cell_that_is_loose_at_rest_latches_nothing_and_it_measures_again():
    found = played(kind="conductivity-disconnected", at_h=1.0, for_h=0.25)

    assert tripped(found) == set()
    assert verdicts(found) == ["suspect", *["accepted"] * 3]  # the first of all waits for the second
    assert found["ledger_bound_held"]
    assert "probes-dry" not in {alert["code"] for alert in found["alerts"]}


def test_liquid_that_comes_again_after_a_proved_drain_has_two_witnesses():
    twin = TwinBench()
    assert twin.bench.drain().proved
    twin.bench.idle(301.0)
    twin.world.vessel.pour_in(twin.world.tank.water(30.0))
    twin.bench.idle(301.0)

    assert "unasked" in acting(twin)


def test_a_slow_electrode_is_not_taken_for_a_shorted_pump():
    twin = TwinBench()
    twin.determine()
    twin.world.electrode.lag_s = 45.0
    for _ in range(2):
        assert twin.determine().alkalinity.verdict is Verdict.VOID
    assert not {row.name for row in twin.bench.guard.acting if row.kind == "trip"}
    twin.world.electrode.lag_s = 3.0

    assert twin.determine().alkalinity.verdict is Verdict.ACCEPTED


@pytest.mark.parametrize("pump", ["sample", "waste"])
def test_a_shorted_pump_still_trips_under_a_slow_electrode(pump):
    twin = TwinBench(fault=[{"kind": f"{pump}-pump-runaway", "at_h": 0.0}])
    twin.world.electrode.lag_s = 45.0
    for _ in range(2):
        assert twin.determine().alkalinity.verdict is Verdict.VOID

    assert "unasked" in acting(twin)
    assert twin.world.spilled.spilled_ml == 0.0


def test_a_cell_that_is_gone_in_the_last_drain_costs_no_later_determination():
    found = played(
        kind="conductivity-disconnected", at_phase="empty after titration", determination=2, after_s=5.0, for_h=0.1
    )

    assert verdicts(found)[2:] == ["accepted"] * 2
    assert tripped(found) == set()
    assert found["ledger_bound_held"]


# A cut in the first seconds of a fill -----------------------------------------------------


@pytest.mark.parametrize("after_s", [2.0, pytest.param(5.0, marks=SOAK), pytest.param(20.0, marks=SOAK)])
def test_after_a_power_cut_in_a_fill_it_measures_again_by_itself(after_s):
    found = played(kind="power-cut", at_phase="fill", determination=1, after_s=after_s, for_h=0.05)

    assert verdicts(found)[0] == "void"
    assert verdicts(found)[1:].count("accepted") >= 2
    assert tripped(found) == set()
    assert found["ledger_bound_held"]
    assert found["truth"]["peak_vessel_ml"] < found["truth"]["vessel_capacity_ml"]


# A full disk ------------------------------------------------------------------------------


@pytest.mark.parametrize("disk", [pytest.param("disk-full", marks=SOAK), "disk-readonly"])
def test_a_disk_that_fails_in_mid_titration_leaves_the_probes_wet_and_killed_then_it_needs_nobody(disk, tmp_path):
    quiet_logs()
    faults = [
        {"kind": disk, "at_phase": "titrate", "determination": 1, "after_s": 60.0, "for_h": 2.0},
        {"kind": "process-killed", "at_h": 1.0},
    ]
    table = {"seed": 11, "days": 0.3, "keeper": {"attentive": False}, "schedule": {"every_h": 3.0}, "fault": faults}
    scenario = Scenario.model_validate(table)
    stage = Stage(scenario, bench_of(scenario, Path()), str(tmp_path / "s.sqlite"))
    stage.play_until(0.9 * 3600.0)
    before_ml = stage.play.world.volume_ml()
    stage.play_until(1.5 * 3600.0)
    after_ml = stage.play.world.volume_ml()
    stage.play_until(0.3 * 86400.0)
    found = stage.log.finish(0.3 * 86400.0)
    stage.close()

    assert (before_ml > 50.0, after_ml > 50.0) == (True, True)
    assert verdicts(found)[-2:] == ["accepted"] * 2
    assert found["ledger_bound_held"]
