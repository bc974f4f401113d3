"""Steps that a motor may have lost make a result less certain, and too many of them keep it from being accepted.

The twin's pulse thread is made to have waited for a processor; it loses nothing, so the true value is known.
"""

import pytest

from saltern.cli.logs import quiet_logs
from saltern.cli.simulation import Stage, bench_of
from saltern.errors import MotionError
from saltern.model.determination import Source
from saltern.model.phase import Phase
from saltern.model.verdict import Reason, Verdict
from saltern.procedures.standardise import is_reportable
from saltern_drivers.twin.scenario import Scenario
from tests.twin_bench import TwinBench

LATE_S = 0.012  # 32 steps at 2667 a second: four full steps


def late(twin, times, every_s=3.0):
    """Let pulses be found late so many times, at full speed, and once each so many seconds."""
    pulses, clock = twin.play.wires.pulses, twin.clock
    due_s = [clock.monotonic() + every_s * (time + 1) for time in range(times)]

    def lateness_s():
        return LATE_S * sum(at_s < clock.monotonic() for at_s in due_s)

    pulses.lateness_s = lateness_s


def in_phase(twin, phase, act):
    """Do something when a phase is entered."""

    def watch(step):
        twin.steps.append(step)
        if step.phase == phase:
            act()

    return watch


def determine(twin, watcher):
    from saltern.procedures.determination import Expectation, determine

    return determine(twin.bench, Source.TANK, Expectation(), watcher)


def test_a_sample_in_a_little_doubt_is_less_certain_and_says_why():
    calm, twin = TwinBench(), TwinBench()
    sure = calm.determine()

    found = determine(twin, in_phase(twin, "fill", lambda: late(twin, 1)))

    doubt = found.budget_umol_kg["steps of the sample pump in doubt"]
    assert 2.0 < doubt < 12.0  # some 0.3 s of pulses in 37
    assert found.alkalinity.u == pytest.approx((sure.alkalinity.u**2 + doubt**2) ** 0.5, rel=0.1)
    assert any("12 ms late" in remark for remark in found.remarks)
    assert abs(twin.error(found)) < 3.0 * found.alkalinity.u


def test_a_sample_in_much_doubt_is_not_accepted():
    twin = TwinBench(true={"limits.titrant_per_run_ml": 16.0})  # so that the acid fits after so slow a fill

    found = determine(twin, in_phase(twin, "fill", lambda: late(twin, 6)))

    assert found.alkalinity.verdict is Verdict.SUSPECT
    assert set(found.alkalinity.reasons) == {Reason.UNCERTAIN, Reason.STEPS_DOUBTED}
    assert not is_reportable(found)  # nor does it count as a replicate of a reference


def test_a_bench_that_is_less_certain_than_its_limit_without_any_doubt_has_no_such_excuse():
    twin = TwinBench(true={"limits.titrant_per_run_ml": 16.0, "limits.accept_u_umol_kg": 0.5})

    found = determine(twin, in_phase(twin, "fill", lambda: late(twin, 1)))

    assert found.alkalinity.reasons == (Reason.UNCERTAIN,)


def test_what_a_busy_computer_spoilt_is_measured_once_more_at_once(tmp_path):
    """Nobody need look: the steps were lost once, if at all, and the next determination vouches for its own."""
    quiet_logs()
    made = Scenario.model_validate({"seed": 11, "days": 1.0})
    stage = Stage(made, bench_of(made, tmp_path), str(tmp_path / "saltern.sqlite"))
    service, finished = stage.computer.service, []
    heard = service.on_event

    def hear(kind, what):
        heard(kind, what)
        if kind == "finished":
            finished.append(what)
        elif kind == "step" and what["in_phase"] is Phase.FILL and not finished:
            late(stage, 3)

    service.on_event = hear
    found = service.measure(Source.TANK)
    stage.close()

    assert [one["followed"] for one in finished] == [True, False]
    assert finished[0]["alkalinity"]["reasons"] == ["uncertainty-above-limit", "steps-in-doubt"]
    assert found.alkalinity.verdict is Verdict.ACCEPTED


def test_a_pump_that_comes_into_doubt_all_the_time_ends_its_motion_and_voids_the_run():
    twin = TwinBench()

    found = determine(twin, in_phase(twin, "fill", lambda: late(twin, 10_000, 0.5)))

    assert found.alkalinity.reasons == (Reason.MOTION_FAULT,)
    assert not [row for row in twin.bench.guard.acting if row.kind == "trip"]
    assert twin.world.spilled.spilled_ml == 0.0


def test_a_rinse_in_doubt_changes_nothing():
    twin = TwinBench()

    found = determine(twin, in_phase(twin, "rinse 1 of 2", lambda: late(twin, 1, 1.0)))

    assert found.alkalinity.verdict is Verdict.ACCEPTED
    assert not any("in doubt" in source for source in found.budget_umol_kg)


def test_a_calibration_is_not_made_from_steps_in_doubt():
    twin = TwinBench()
    twin.bench.drain()
    late(twin, 1, 1.0)

    with pytest.raises(MotionError, match="may be missing"):
        twin.bench.collect("sample", 20.0)
