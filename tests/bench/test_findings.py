"""What procedures notice becomes an interlock: with its own name, for as long as it should."""

import numpy as np
import PyCO2SYS
import pytest

from saltern.bench.bench import StopRequested
from saltern.errors import InterlockError
from saltern.model.verdict import Reason, Verdict
from saltern.procedures.determination import Expectation
from saltern.procedures.notebook import Notebook
from saltern.procedures.titrate import SHOWS_MV, SHOWS_UMOL_KG
from saltern.procedures.vessel import NotEmptyError, empty
from tests.twin_bench import TwinBench


def acting(twin):
    twin.bench.guard.scan()
    return {row.name for row in twin.bench.guard.acting}


def reasons(outcome):
    return set(outcome.alkalinity.reasons)


def after(fault, **more):
    """Return a bench on which one determination went well, and a fault that acts from now on."""
    return TwinBench(fault=[{"kind": fault, "at_h": 0.0, **more}])


@pytest.mark.parametrize("pump", ["titrant", "sample", "waste"])
def test_a_permit_that_does_not_cut_trips_before_any_sample_is_titrated(pump):
    twin = after("permit-stuck-on", pump=pump)
    outcome = twin.determine()

    assert outcome.alkalinity.verdict is Verdict.VOID
    assert "permit-stuck" in acting(twin)
    assert outcome.titrant_ml == 0.0
    assert twin.world.spilled.spilled_ml == 0.0
    twin.bench.drain()  # is not forbidden


@pytest.mark.parametrize("pump", ["titrant", "sample"])
def test_a_drive_that_turns_by_itself_trips(pump):
    twin = after(f"{pump}-pump-runaway")
    outcome = twin.determine()

    assert outcome.alkalinity.verdict is Verdict.VOID
    assert "unasked" in acting(twin)
    assert twin.world.spilled.spilled_ml == 0.0


def test_a_vessel_that_stays_wet_takes_nothing_more_until_a_drain_is_proved():
    twin = after("waste-line-blocked", for_h=2.0)
    outcome = twin.determine()
    assert reasons(outcome) == {Reason.NOT_EMPTY}
    assert "drain-failed" in acting(twin)
    with pytest.raises(InterlockError), twin.bench.stage("fill", sample_ml=5.0):
        twin.bench.add("sample", 5.0)

    twin.clock.sleep(7200.0)
    empty(twin.bench, Notebook(twin.bench))
    assert "drain-failed" not in acting(twin)
    assert twin.determine().alkalinity.verdict is Verdict.ACCEPTED


def test_a_cell_that_is_dry_from_the_start_proves_nothing_and_lets_no_acid_in():
    twin = after("conductivity-disconnected", for_h=1.0)
    with pytest.raises(NotEmptyError):
        empty(twin.bench, Notebook(twin.bench))

    assert "drain-unproved" in acting(twin)


@pytest.mark.parametrize(
    ("fault", "row", "why"),
    [
        ("sample-source-low", "sample-low", Reason.SAMPLE_NOT_DRAWN),
        ("sample-pump-stalled", "sample-low", Reason.SAMPLE_NOT_DRAWN),
        ("temperature-open", "temperature-fault", Reason.PROBE_FAULT),
    ],
)
def test_what_is_noticed_is_named_and_passes_with_its_cause(fault, row, why):
    twin = after(fault, for_h=3.0)
    outcome = twin.determine()
    assert why in reasons(outcome)
    assert row in acting(twin)

    twin.clock.sleep(3.1 * 3600.0)
    verdicts = [twin.determine().alkalinity.verdict for _ in range(2)]  # air in the sample line may cost one
    assert verdicts[-1] is Verdict.ACCEPTED
    assert not acting(twin)


@pytest.mark.parametrize(
    ("fault", "likely"), [("titrant-pump-stalled", "pump that does not turn"), ("ph-frozen", "not even by noise")]
)
def test_acid_that_does_not_show_is_not_poured_for_ever(fault, likely):
    twin = TwinBench(fault=[{"kind": fault, "at_phase": "titrate", "determination": 1}])

    def entered(step):
        if step.titrant_ml is None:
            twin.play.enter_phase(step.phase, 1)

    twin.steps = type("Steps", (), {"append": staticmethod(entered)})()
    outcome = twin.determine(Expectation())

    assert reasons(outcome) == {Reason.NO_RESPONSE}
    assert likely in " ".join(outcome.remarks)
    assert outcome.titrant_ml < 0.5 * twin.config.limits.titrant_per_run_ml


def test_so_much_acid_shows_in_any_seawater():
    """Against PyCO2SYS: the fall of pH, in mV, over all that a tank may be."""
    alkalinity, ph = np.meshgrid(np.linspace(400.0, 7000.0, 23), np.linspace(7.4, 8.6, 13))
    common = {"par1_type": 1, "salinity": 35.0, "temperature": 25.0, "opt_pH_scale": 1}
    before = PyCO2SYS.sys(par1=alkalinity, par2=ph, par2_type=3, **common)
    after_acid = PyCO2SYS.sys(par1=alkalinity - SHOWS_UMOL_KG, par2=before["dic"], par2_type=2, **common)
    moved_mv = 59.16 * (before["pH"] - after_acid["pH"])

    assert moved_mv.min() > SHOWS_MV + 4.0 * 0.4


def test_liquid_that_appears_at_rest_trips():
    twin = TwinBench()
    twin.bench.drain()
    twin.bench.idle(700.0)
    assert "unasked" not in acting(twin)
    assert twin.bench.fell_dry
    twin.world.vessel.pour_in(twin.world.tank.water(30.0))
    twin.bench.idle(700.0)

    assert "unasked" in acting(twin)


def test_a_stirrer_that_stands_still_ends_the_titration_and_is_named():
    twin = TwinBench(fault=[{"kind": "stirrer-stopped", "at_phase": "titrate", "determination": 1, "for_h": 1.0}])
    twin.steps = type("Steps", (), {"append": staticmethod(lambda s: _enter(twin, s))})()
    outcome = twin.determine()

    assert outcome.alkalinity.verdict is Verdict.VOID
    assert reasons(outcome) == {Reason.UNSETTLED}
    assert "stirrer turns" in " ".join(outcome.remarks)
    twin.clock.sleep(3600.0)
    assert twin.determine().alkalinity.verdict is Verdict.ACCEPTED


def _enter(twin, step):
    if step.titrant_ml is None:
        twin.play.enter_phase(step.phase, 1)


def test_a_noisy_electrode_is_not_taken_for_a_shorted_pump():
    twin = after("ph-noisy", for_h=1.0)
    outcome = twin.determine()

    assert outcome.alkalinity.verdict is Verdict.VOID
    assert reasons(outcome) <= {Reason.PROBE_FAULT, Reason.UNSETTLED}
    assert not {row.name for row in twin.bench.guard.acting if row.kind == "trip"}
    twin.clock.sleep(3600.0)
    assert twin.determine().alkalinity.verdict is Verdict.ACCEPTED


def test_a_drain_cut_short_in_its_last_seconds_has_proved_nothing():
    twin = TwinBench()
    twin.bench.account.must_prove = True
    turn, turns = twin.bench.motion.turn, []

    def stopped_in_the_tail(*given, **more):
        turns.append(given)
        if len(turns) == 2:
            raise InterlockError("stopped", where="test", remedy="none", interlock="stop")
        return turn(*given, **more)

    twin.bench.motion.turn = stopped_in_the_tail
    with pytest.raises(InterlockError):
        twin.bench.drain()

    assert twin.bench.must_prove
    assert twin.bench.ledger.vessel_ml.high > 100.0


def test_a_proof_cut_short_keeps_in_the_books_what_it_might_have_moved():
    twin = TwinBench()
    assert twin.bench.drain().proved
    before = twin.bench.ledger.vessel_ml.high
    twin.clock.call_later(3.0, twin.bench.request_stop)
    with pytest.raises(StopRequested):
        twin.bench.prove_cut("sample")

    assert twin.bench.ledger.vessel_ml.high > before + 5.0
    assert twin.bench.ledger.stage is None
