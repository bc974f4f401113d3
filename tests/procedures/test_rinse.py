"""Rinses keep the carry-over within its limit, with as little tank water as that takes."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from saltern.config.loading import load_bench, shipped_config
from saltern.procedures.rinse import RinsePlan, plan_for, rinse_plan


def carried(plan, residue_ml):
    return 9000.0 * (residue_ml / (residue_ml + plan.volume_ml)) ** plan.times * residue_ml / (residue_ml + 100.0)


@given(st.floats(0.1, 6.0), st.floats(10.0, 40.0), st.floats(0.5, 5.0))
def test_the_carry_over_is_within_its_limit_and_no_other_number_of_rinses_takes_less(residue_ml, least_ml, limit):
    plan = rinse_plan(residue_ml, 100.0, limit, 9000.0, least_ml)

    assert carried(plan, residue_ml) <= limit * (1 + 1e-9)
    assert plan.volume_ml >= least_ml
    for times in range(1, plan.times):
        fewer = RinsePlan(times, min(100.0, plan.total_ml / times * 0.999))
        assert carried(fewer, residue_ml) > limit


def test_the_default_bench_rinses_so_that_at_most_1_umol_kg_is_carried_over():
    config = load_bench(shipped_config("bench-simulated.toml"))
    plan = plan_for(config)

    assert carried(plan, config.vessel.residue_ml) <= 1.0
    assert plan.volume_ml >= config.pumps.sample.line.volume_ml
    assert plan.times == 2
    assert plan.volume_ml == pytest.approx(17.6, abs=0.1)
