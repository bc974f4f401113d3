"""A water's pH at another temperature, against PyCO2SYS."""

import numpy as np
import PyCO2SYS
import pytest

from saltern.chemistry.endpoint.curve import Estimate
from saltern.chemistry.ph_at import estimate_at, ph_total_at

WATERS = 200


def test_it_is_what_another_program_says():
    """Lueker et al. 2000, Uppstrom 1974, Dickson 1990, Dickson & Riley 1979, as Saltern has them."""
    random = np.random.default_rng(1)
    ph, alkalinity = random.uniform(7.4, 8.6, WATERS), random.uniform(1500.0, 4000.0, WATERS)
    salinity = random.uniform(28.0, 38.0, WATERS)
    from_c, to_c = random.uniform(18.0, 30.0, (2, WATERS))
    other = PyCO2SYS.sys(
        par1=alkalinity, par2=ph, par1_type=1, par2_type=3, salinity=salinity, temperature=from_c, temperature_out=to_c,
        opt_pH_scale=1, opt_k_carbonic=10, opt_total_borate=1, opt_k_bisulfate=1, opt_k_fluoride=1,
    )["pH_total_out"]  # fmt: skip
    ours = [ph_total_at(*water) for water in zip(ph, alkalinity, salinity, from_c, to_c, strict=True)]

    assert ours == pytest.approx(list(other), abs=5e-4)


def test_a_sample_that_has_cooled_in_the_vessel_reads_higher_than_the_tank():
    found = estimate_at(Estimate(8.05, 0.03), 2450.0, 35.0, Estimate(22.0, 0.5), 25.5)

    assert found.value == pytest.approx(8.05 - 0.015 * 3.5, abs=0.01)
    assert found.u == pytest.approx((0.03**2 + (0.015 * 0.5) ** 2) ** 0.5, rel=0.05)
