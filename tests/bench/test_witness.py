"""What a motion moved is what its drive counted, as far as its permit bears that out; and which way, a proof says."""

import pytest

from saltern.bench.witness import MotionRecord, Witness
from saltern.cli.logs import quiet_logs
from saltern.cli.simulation import Stage
from saltern.config.loading import bench_from
from saltern.errors import MotionError
from saltern.ports import Direction, MisuseError, Progress
from saltern_drivers.twin.scenario import Scenario
from tests.twin_bench import TwinBench, bench_table

TIMED = {
    "pumps.sample.drive": {"driver": "gpio-timed-pump", "pin": 17},
    "pumps.sample.ml_per_unit": 1.667,
}
LAPSE_S, RATE = 0.5, 1.0


def played(changes, fault, days):
    """Return what a whole service reported of its determinations, and its truths."""
    quiet_logs()
    config = bench_from(bench_table({**changes, "schedule.every_h": 1.0}), where="test")
    scenario = Scenario.model_validate({"seed": 5, "days": days, "fault": [fault]})
    stage = Stage(scenario, config, ":memory:")
    stage.play_until(days * 86400.0)
    found = stage.log.finish(days * 86400.0)
    stage.close()
    return found


def lies(found, most_u=3.3):
    """Return the accepted alkalinities that are further from the truth than their uncertainty allows, in u."""
    accepted = [d["alkalinity"] for d in found["determinations"] if d["alkalinity"]["verdict"] == "accepted"]
    off = [(a["umol_per_kg"] - a["truth"]) / a["u"] for a in accepted]
    return [in_u for in_u in off if abs(in_u) > most_u]


# Whole runs ----------------------------------------------------------------------------


@pytest.mark.parametrize("stall_s", [1.0, 6.0])
def test_a_control_thread_that_stalls_in_a_fill_by_the_clock_makes_no_accepted_lie(stall_s):
    """The permit lapsed, and the drive counted on: -26 umol/kg were accepted after 1 s, -229 after 6 s."""
    fault = {"kind": "control-stall", "size": stall_s, "at_phase": "fill", "determination": 1, "after_s": 10.0}
    found = played(TIMED, fault, 1.1 / 24.0)

    (first, *_) = found["determinations"]
    assert lies(found) == []
    assert first["alkalinity"]["verdict"] != "accepted"
    assert abs(first["alkalinity"]["umol_per_kg"] - first["alkalinity"]["truth"]) <= 2.0 * first["alkalinity"]["u"]


def test_a_dead_direction_wire_voids_the_run_that_it_touched_and_trips():
    """What is drawn back came in instead: +46 to +51 umol/kg were accepted, four times of four."""
    found = played({}, {"kind": "direction-wire-dead", "at_h": 1.5}, 2.5 / 24.0)

    verdicts = [d["alkalinity"]["verdict"] for d in found["determinations"]]
    assert verdicts == ["suspect", "accepted", "accepted", "void"]  # the first of all waits for the second
    assert lies(found) == []
    assert "interlock-direction" in {alert["code"] for alert in found["alerts"]}
    assert found["ledger_bound_held"]


# One bench ----------------------------------------------------------------------------


def test_the_proof_of_direction_leaves_line_and_vessel_as_they_were():
    twin = TwinBench()
    assert twin.bench.drain().proved
    with twin.bench.stage("fill", sample_ml=62.0):
        twin.bench.add("sample", 61.0)
        twin.bench.draw_back("sample", 1.0)
    assert twin.bench.drain().proved
    air_ml, vessel_ml = twin.world.line_air_ml, twin.world.volume_ml()
    from saltern.procedures.vessel import prove_direction

    prove_direction(twin.bench)

    assert twin.world.line_air_ml == pytest.approx(air_ml, abs=0.1)
    assert twin.world.volume_ml() == pytest.approx(vessel_ml, abs=0.1)
    assert not twin.bench.guard.tripped


def test_a_dead_direction_wire_is_found_by_the_proof_and_the_ledger_holds_what_it_added():
    from saltern.procedures.vessel import prove_direction

    twin = TwinBench()
    assert twin.bench.drain().proved
    twin.world.pumps["sample"].direction_dead = True
    with pytest.raises(MotionError, match="turned forward"):
        prove_direction(twin.bench)

    assert "direction" in {row.name for row in twin.bench.guard.acting}
    assert twin.world.volume_ml() <= twin.bench.ledger.vessel_ml.high
    assert twin.play.bound_held


def test_what_is_drawn_back_is_promised_as_what_it_may_add():
    twin = TwinBench()
    assert twin.bench.drain().proved
    before_ml = twin.bench.ledger.vessel_ml.high
    with pytest.raises(MisuseError, match="promised"), twin.bench.stage("fill", sample_ml=0.5):
        twin.bench.draw_back("sample", 1.0)
    with twin.bench.stage("fill", sample_ml=21.0):
        twin.bench.add("sample", 20.0)
        twin.bench.draw_back("sample", 1.0)

    assert twin.bench.ledger.vessel_ml.high >= before_ml + 21.0


def test_a_motion_is_recorded_with_what_witnessed_it():
    twin = TwinBench(true=TIMED)
    assert twin.bench.drain().proved
    with twin.bench.stage("fill", sample_ml=40.0):
        twin.bench.add("sample", 40.0)
    record = twin.bench.motion.last

    assert (record.role, record.direction) == ("sample", Direction.FORWARD)
    assert record.asked == pytest.approx(40.0 / 1.667)
    assert record.least == record.most == pytest.approx(record.asked, abs=0.11)
    assert record.permitted_s == pytest.approx(record.took_s)
    assert record.longest_gap_s <= 0.15
    assert not record.doubt
    assert twin.bench.doubted == {}


def test_a_stall_while_a_pump_turns_is_doubted_by_no_less_than_it_lost():
    twin = TwinBench(true=TIMED)
    assert twin.bench.drain().proved
    twin.clock.call_later(5.0, lambda: twin.clock.sleep(3.0))
    before_ml = twin.world.volume_ml()
    with twin.bench.stage("fill", sample_ml=60.0):
        moved = twin.bench.add("sample", 60.0)
    came_ml = twin.world.volume_ml() - before_ml

    assert came_ml < 57.0
    assert moved.low <= came_ml <= moved.high
    assert twin.bench.doubted["sample"].most_ml >= 60.0 - came_ml - 0.3
    assert "may have lapsed" in twin.bench.doubted["sample"].why


# The witness alone ----------------------------------------------------------------------


def record(witness, counted, asked=10.0, direction=Direction.FORWARD):
    return MotionRecord(
        "sample",
        direction,
        asked,
        Progress(False, counted, counted),
        10.0,
        witness.permitted_s,
        witness.longest_gap_s,
        witness.unwitnessed,
        witness.counted,
    )


def test_regular_kicks_bear_out_all_that_was_counted():
    witness = Witness(LAPSE_S, RATE, 0.0)
    for tick in range(1, 101):
        witness.kicked(0.1 * tick, 0.1 * tick)
    found = record(witness, 10.0)

    assert (found.least, found.most) == (10.0, 10.0)
    assert found.permitted_s == pytest.approx(10.0)
    assert found.doubt == ""


def test_of_a_gap_only_what_the_permit_surely_lasted_is_borne_out():
    witness = Witness(LAPSE_S, RATE, 0.0)
    witness.kicked(4.0, 0.2)  # a queue that ran out in the gap counted no more than its permit lasted
    assert record(witness, 0.2).least == 0.2
    witness.kicked(10.0, 6.2)  # a clock counts on
    found = record(witness, 6.2)

    assert found.least == pytest.approx(0.2 + 0.25)
    assert found.most == 6.2
    assert found.permitted_s == pytest.approx(2 * LAPSE_S)
    assert "6.0 s" in found.doubt
