"""`check` says beforehand what would refuse each titration: the ledger's bound, or the acid of a day."""

import pytest

from saltern.config.loading import bench_from
from saltern.model.verdict import Reason
from saltern.procedures.arithmetic import most_before_titrating_ml, warnings
from tests.twin_bench import TwinBench, bench_table

HOBBY = "bench-simulated-hobby.toml"


def refused_beforehand(changes):
    config = bench_from(bench_table(changes, HOBBY), where="bench")
    return any("does not fit below the float" in warning for warning in warnings(config))


@pytest.mark.parametrize("float_mm", [68.0, 68.4, 69.0, 70.0])
def test_a_bench_of_which_check_says_nothing_titrates(float_mm):
    changes = {"vessel.overfill_switch_mm": float_mm}
    found = TwinBench(changes, bench=HOBBY, twin={"instruments": "hobby"}).determine()

    if not refused_beforehand(changes):
        assert Reason.INTERLOCK not in found.alkalinity.reasons
    if Reason.INTERLOCK in found.alkalinity.reasons:
        assert refused_beforehand(changes)


def test_the_bound_computed_beforehand_holds_the_one_of_the_run():
    twin = TwinBench(bench=HOBBY, twin={"instruments": "hobby"})
    seen = []
    twin.bench.stage, stage = (
        lambda name, **k: (seen.append(twin.bench.ledger.vessel_ml.high), stage(name, **k))[1],
        twin.bench.stage,
    )
    twin.determine()

    before_titrating = seen[-3]  # the last two prove the sample pump's direction, and keep the probes wet
    assert before_titrating <= most_before_titrating_ml(twin.config) < before_titrating + 2.0


@pytest.mark.parametrize(("every_h", "said"), [(4.0, False), (1.0, True)])
def test_a_schedule_that_takes_more_acid_than_a_day_allows_is_said(every_h, said):
    """A bench that measured each hour was void from its second day on, with the sample drawn each time."""
    config = bench_from(bench_table({"schedule.every_h": every_h}), where="test")

    assert any("mL of acid a day" in warning for warning in warnings(config)) is said
