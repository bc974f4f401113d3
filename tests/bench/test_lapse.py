"""Each determination measures how long the sample pump's permit holds, and one that holds too long trips."""

import pytest

from saltern.model.verdict import Verdict
from saltern.procedures.notebook import Notebook
from saltern.procedures.vessel import fill
from tests.twin_bench import TwinBench

TIMED = {
    "pumps.sample.drive": {"driver": "gpio-timed-pump", "pin": 17},
    "pumps.sample.ml_per_unit": 1.667,
}
STATED_S = 0.5


def holding(lapse_s, true=None, **more):
    return TwinBench(true=true, twin={"truth": {"permit_lapse_s": lapse_s}}, **more)


def drained(twin):
    """Leave the vessel drained and air in the sample line, as a determination does."""
    assert twin.bench.drain().proved
    fill(twin.bench, Notebook(twin.bench, twin.steps.append), 40.0)
    assert twin.bench.drain().proved


def acting(twin):
    return {row.name for row in twin.bench.guard.acting}


@pytest.mark.parametrize("true", [{}, TIMED], ids=["stepper", "timed"])
@pytest.mark.parametrize("lapse_s", [0.3, STATED_S, 0.7])
def test_the_lapse_is_measured_to_a_tenth_of_a_second(lapse_s, true):
    twin = holding(lapse_s, true)
    drained(twin)
    twin.bench.prove_lapse()

    assert twin.bench.lapse.measured_s == pytest.approx(lapse_s, abs=0.13)
    assert acting(twin) == set()
    assert twin.play.bound_held


@pytest.mark.parametrize("lapse_s", [1.0, 2.0])
def test_a_permit_that_holds_longer_than_stated_trips_before_a_sample_is_titrated(lapse_s):
    """The ledger's bound is reckoned with the stated lapse, and so is what fits above the float."""
    twin = holding(lapse_s)
    found = twin.determine()

    assert found.alkalinity.verdict is Verdict.VOID
    assert "permit-slow" in acting(twin)
    assert "run-permit held for" in " ".join(found.remarks)
    assert twin.play.truth()["spilled_ml"] == 0.0


def test_a_permit_that_holds_as_stated_costs_a_determination_nothing_but_a_minute():
    twin = TwinBench()
    found = twin.determine()

    assert found.alkalinity.verdict is Verdict.ACCEPTED
    assert abs(twin.error(found)) < 3.0 * found.alkalinity.u
    assert twin.bench.lapse.measured_s == pytest.approx(STATED_S, abs=0.13)
    assert twin.play.bound_held


def test_a_vessel_that_drains_less_is_not_taken_for_a_slow_permit():
    """What is left in the vessel wets the cell sooner; what wets it is learned anew before anything is tripped."""
    twin = TwinBench()
    drained(twin)
    twin.bench.prove_lapse()
    twin.happens("residue_extra_ml", 6.0)
    drained(twin)
    twin.bench.prove_lapse()

    assert acting(twin) == set()
    assert twin.bench.lapse.measured_s == pytest.approx(STATED_S, abs=0.2)


def test_with_a_wet_cell_or_no_room_nothing_is_measured_and_nothing_moves():
    twin = TwinBench()
    assert twin.bench.drain().proved
    with twin.bench.stage("fill", sample_ml=40.0):
        twin.bench.add("sample", 40.0)
    before_ml = twin.world.volume_ml()
    twin.bench.prove_lapse()
    assert twin.world.volume_ml() == before_ml
    assert twin.bench.lapse.measured_s is None
