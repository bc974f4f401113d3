"""Acid that is counted and did not come, in curves that PyCO2SYS made (Humphreys et al. 2022): as much is found."""

from dataclasses import replace

import numpy as np
import pytest

from saltern.chemistry.endpoint.curve import Estimate, Priors
from saltern.chemistry.endpoint.least_squares import least_squares
from saltern.chemistry.endpoint.sample_ph import initial_ph_total
from saltern.quality.carbon_balance import unseen_acid
from tests.published.foreign_curves import E0_MV, Case, pyco2sys_curve

SAMPLE = Case("PyCO2SYS", 2350.0, 2080.0, 35.0, 25.0, "closed", "nacl")


@pytest.fixture(scope="module")
def curve():
    pytest.importorskip("PyCO2SYS", reason="PyCO2SYS is not installed")
    return pyco2sys_curve(SAMPLE)


@pytest.mark.parametrize("missing_umol_kg", [0.0, 25.0, 320.0, -100.0])
def test_what_did_not_come_before_the_first_reading_used_is_found(curve, missing_umol_kg):
    conditions = SAMPLE.conditions()
    missing_g = missing_umol_kg * 1e-6 * conditions.sample_g / conditions.titrant_mol_per_kg
    counted = replace(curve, titrant_g=curve.titrant_g + missing_g * (curve.titrant_g > 0.0))
    found = least_squares(counted, conditions, Priors(Estimate(E0_MV, 3.0), Estimate(1.0, 0.004), 0.1))
    acid = unseen_acid(found, conditions, initial_ph_total(counted, found, conditions), SAMPLE.temperature_c)

    assert np.abs(found.alkalinity_umol_kg - SAMPLE.alkalinity_umol_kg - missing_umol_kg) < 3.0
    assert "volume-step" not in found.flags
    assert acid.value == pytest.approx(missing_umol_kg, abs=6.0 + 0.05 * abs(missing_umol_kg))
