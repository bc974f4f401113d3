"""Whole determinations on the twin, through production code down to pins and bytes."""

import numpy as np
import pytest

from saltern.chemistry.endpoint.curve import Estimate
from saltern.model.determination import Source
from saltern.model.verdict import Reason, Verdict
from saltern.procedures.determination import Expectation, determine
from tests.twin_bench import TwinBench


@pytest.mark.parametrize(
    ("alkalinity_umol_kg", "ph_total"),
    [
        (350, 6.7),
        (360, 7.6),
        (1000, 8.0),
        (2450, 6.6),
        (2450, 8.1),
        (2600, 9.5),
        (2600, 10.3),
        (4500, 8.3),
        (6950, 8.4),
    ],
)
def test_it_is_right_from_1_to_20_dkh_and_from_ph_6_5_to_10_5(alkalinity_umol_kg, ph_total):
    """A crashed tank is when the number matters; nothing is known of it before."""
    tank = {"alkalinity_umol_kg": alkalinity_umol_kg, "ph_total": ph_total}
    twin = TwinBench(tank=tank, stated={"limits.accept_u_umol_kg": 40.0})

    d = twin.determine()

    assert d.alkalinity.value is not None, (d.alkalinity.reasons, d.remarks)
    assert abs(twin.error(d)) < 3.0 * d.alkalinity.u + 1.0
    assert abs(d.ph_total.value - twin.play.as_read(d.ph_read_s)[0]) < max(0.05, 3.0 * d.ph_total.u)


def test_a_sample_of_40_percent_less_than_expected_is_not_overshot():
    twin = TwinBench(tank={"alkalinity_umol_kg": 1470.0})

    d = twin.determine(Expectation(Estimate(2450.0, 100.0)))

    first_dose = d.curve.titrant_g[1] * d.conditions.titrant_mol_per_kg / d.conditions.sample_g * 1e6
    assert first_dose < 0.9 * 1470.0
    assert abs(twin.error(d)) < 3.0 * d.alkalinity.u


def test_the_vessel_is_left_clean_and_the_probes_wet():
    twin = TwinBench()
    d = twin.determine()

    assert d.alkalinity.verdict is Verdict.ACCEPTED
    assert twin.world.volume_ml() > twin.world.cell_ml
    assert twin.world.ph_total() > 7.0
    assert not any(head.moving() for head in twin.world.pumps.values())
    assert twin.play.bound_held


@pytest.mark.parametrize("method", ["sop3b", "gran", "inflection", "fixed-ph"])
def test_the_keeper_may_choose_another_method_and_its_uncertainty_says_what_it_is_worth(method):
    twin = TwinBench(stated={"method": method, "limits.accept_u_umol_kg": 100.0})

    d = twin.determine(Expectation(Estimate(2450.0, 100.0)))

    assert d.method == method
    assert abs(twin.error(d)) < 3.0 * d.alkalinity.u


@pytest.mark.parametrize(
    ("fault", "reason"),
    [
        ({"kind": "waste-pump-stalled"}, Reason.NOT_EMPTY),
        ({"kind": "sample-source-low"}, Reason.SAMPLE_NOT_DRAWN),
        ({"kind": "serial-silent"}, Reason.PROBE_FAULT),
        ({"kind": "temperature-open"}, Reason.PROBE_FAULT),
        ({"kind": "leak"}, Reason.INTERLOCK),
        ({"kind": "overfill-switch-wire-broken"}, Reason.INTERLOCK),
    ],
)
def test_a_run_that_cannot_be_finished_is_void_for_its_reason_and_nothing_is_spilled(fault, reason):
    twin = TwinBench(fault=[{**fault, "at_h": 0.065}])

    d = twin.determine()

    assert d.alkalinity.verdict is Verdict.VOID
    assert d.alkalinity.value is None
    assert reason in d.alkalinity.reasons, d.remarks
    assert twin.play.truth()["spilled_ml"] == 0.0
    assert twin.world.spilled.peak_vessel_ml < twin.world.capacity_ml
    twin.clock.sleep(5.0)
    assert not any(head.moving() for head in twin.world.pumps.values())


def test_an_empty_bottle_is_not_reported_as_an_alkalinity():
    twin = TwinBench(fault=[{"kind": "titrant-empty", "at_h": 0.0}])

    d = twin.determine()

    assert d.alkalinity.verdict in (Verdict.VOID, Verdict.SUSPECT)


def test_a_frozen_electrode_is_not_reported_as_an_alkalinity():
    twin = TwinBench(fault=[{"kind": "ph-frozen", "at_h": 0.0}])

    d = twin.determine()

    assert d.alkalinity.verdict in (Verdict.VOID, Verdict.SUSPECT)


def test_a_stop_voids_the_run_keeps_its_curve_and_leaves_every_pump_off():
    twin = TwinBench()
    points = []

    def after_three_points(step):
        if step.titrant_ml is not None:
            points.append(step)
            if len(points) == 3:
                twin.bench.request_stop()

    d = determine(twin.bench, Source.TANK, Expectation(), after_three_points)

    assert d.alkalinity.reasons == (Reason.STOPPED,)
    assert d.curve is not None
    assert len(d.curve.emf_mv) >= 2
    assert not any(head.moving() for head in twin.world.pumps.values())
    assert twin.world.stirrer == 0.0


def test_nothing_is_committed_while_a_pump_turns():
    twin = TwinBench()
    turning = []
    twin.store.on_commit = lambda: turning.append(any(head.moving() for head in twin.world.pumps.values()))

    twin.determine()

    assert len(turning) > 10
    assert not any(turning)


def test_a_slow_titrant_pump_is_read_while_it_doses():
    """A dose that takes longer than a reading may be old must not be cut as if the probe had failed."""
    twin = TwinBench(true={"pumps.titrant.drive.steps_per_s": 250}, tank={"alkalinity_umol_kg": 5000.0})

    d = twin.determine(Expectation(Estimate(5000.0, 500.0)))

    assert d.alkalinity.value is not None, d.remarks
    assert abs(twin.error(d)) < 3.0 * d.alkalinity.u


def test_a_determination_of_what_is_expected_takes_at_most_ten_readings_and_three_minutes():
    twin = TwinBench(true={"titrant.concentration_mol_per_l": 0.1})
    d = twin.determine(Expectation(Estimate(2450.0, 600.0)))

    assert len(d.curve.emf_mv) <= 10
    assert d.curve.time_s[-1] - d.curve.time_s[0] < 180.0


def test_doses_are_whole_roller_pitches_where_they_are_known():
    pitch_ml = 800 * 0.0000625
    twin = TwinBench(stated={"pumps.titrant.units_per_roller_pitch": 800.0})
    d = twin.determine(Expectation(Estimate(2450.0, 600.0)))
    density = d.curve.titrant_g[-1] / d.titrant_ml
    pitches = np.diff(d.curve.titrant_g) / density / pitch_ml

    large = pitches[pitches > 1.5]
    assert len(large) >= 3
    np.testing.assert_allclose(large, np.round(large), atol=1e-6)


def test_an_electrode_three_times_slower_is_still_read_rightly_and_told_of():
    twin = TwinBench()
    twin.world.electrode.lag_s *= 3.0
    d = twin.determine(Expectation(Estimate(2450.0, 600.0)))

    assert any("electrode-slow" in remark for remark in d.remarks)
    assert d.alkalinity.verdict is not Verdict.ACCEPTED or abs(twin.error(d)) < 3.0 * d.alkalinity.u


def test_after_a_drain_that_was_stopped_the_next_determination_shows_the_cell_wet_and_succeeds():
    """The cell had fallen dry when the stop came: found dry, it would prove nothing."""
    twin = TwinBench()
    assert twin.determine().alkalinity.verdict is Verdict.ACCEPTED

    def stop_in_the_first_drain(step):
        if step.phase == "empty":
            twin.clock.call_later(33.0, twin.bench.request_stop)

    stopped = determine(twin.bench, Source.TANK, Expectation(), stop_in_the_first_drain)
    twin.bench.clear_stop()
    dry = twin.bench.conductivity_ms_cm() < twin.config.probes.conductivity.dry_ms_cm
    again = twin.determine()

    assert stopped.alkalinity.reasons == (Reason.STOPPED,)
    assert dry
    assert again.alkalinity.verdict is Verdict.ACCEPTED, again.remarks
    assert twin.play.bound_held
    assert twin.world.spilled.spilled_ml == 0.0


@pytest.mark.slow
@pytest.mark.parametrize("first_s", [0, 2, *(pytest.param(n, marks=pytest.mark.soak) for n in (1, 3))])
def test_stopped_at_any_moment_the_ledger_holds_the_truth_and_the_next_determination_succeeds_or_asks(first_s):
    """One stop each 47 s of a determination; again with other beginnings."""
    for stop_s in range(10 + 12 * first_s, 500, 47):
        twin = TwinBench(seed=3)
        twin.determine()
        armed = twin.clock.call_later(stop_s + 0.37, twin.bench.request_stop)
        stopped = twin.determine()
        armed.cancel()
        twin.bench.clear_stop()
        assert twin.world.volume_ml() <= twin.bench.ledger.vessel_ml.high + 1e-6, stop_s
        again = twin.determine()

        assert not any(head.moving() for head in twin.world.pumps.values())
        assert twin.play.bound_held
        if again.alkalinity.verdict is Verdict.VOID:  # stopped in the last drain: nothing can prove the vessel empty
            assert again.alkalinity.reasons == (Reason.NOT_EMPTY,), (stop_s, again.remarks)
            assert stopped.alkalinity.verdict is Verdict.ACCEPTED, stop_s
