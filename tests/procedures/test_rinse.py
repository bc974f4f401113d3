"""Rinses keep the carry-over within its limit, and no more are made than needed."""

from hypothesis import given
from hypothesis import strategies as st

from saltern.procedures.rinse import MOST_RINSES, rinse_plan


@given(st.floats(0.1, 10.0), st.floats(10.0, 100.0), st.floats(0.5, 5.0))
def test_the_carry_over_is_within_its_limit_and_one_rinse_less_would_not_be(residue_ml, rinse_ml, limit):
    def carried(times):
        return 9000.0 * (residue_ml / (residue_ml + rinse_ml)) ** times * residue_ml / (residue_ml + 100.0)

    rinses = rinse_plan(residue_ml, rinse_ml, 100.0, limit, 9000.0)

    assert carried(rinses) <= limit or rinses == MOST_RINSES
    assert rinses == 0 or carried(rinses - 1) > limit
