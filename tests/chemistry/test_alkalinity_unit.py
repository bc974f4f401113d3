"""Alkalinity in the keeper's unit. Common tables: 1 dKH is 17.85 mg/L of CaCO3 and 0.357 meq/L (common practice)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from saltern.chemistry.alkalinity_unit import AlkalinityUnit, from_dkh, said, said_with_u, to_dkh


@pytest.mark.parametrize(
    ("unit", "one_degree"),
    [(AlkalinityUnit.MEQ_L, 0.3566), (AlkalinityUnit.MG_L_CACO3, 17.848), (AlkalinityUnit.DKH, 1.0)],
)
def test_a_degree_in_each_unit_is_that_of_the_tables(unit, one_degree):
    assert from_dkh(1.0, unit) == pytest.approx(one_degree, rel=2e-4)


@given(st.floats(0.1, 30.0), st.sampled_from(AlkalinityUnit), st.floats(5.0, 45.0))
def test_there_and_back_is_the_same(dkh, unit, salinity):
    assert to_dkh(from_dkh(dkh, unit, salinity), unit, salinity) == pytest.approx(dkh)


def test_it_is_said_with_its_unit_and_k_2():
    assert said(7.93, AlkalinityUnit.DKH) == "7.93 dKH"
    assert said(-0.5, AlkalinityUnit.MG_L_CACO3, signed=True) == "-8.9 mg/L CaCO3"
    assert said_with_u(8.0, 0.05, AlkalinityUnit.MEQ_L) == "2.853 ± 0.036 meq/L"
