"""The carbonate system against PyCO2SYS and published values."""

import warnings

import numpy as np
import pytest

from saltern.chemistry.carbonate import (
    Sample,
    aragonite_solubility,
    calcium_mol_kg,
    carbonate_system,
    fugacity_over_pressure,
)
from saltern.chemistry.endpoint.curve import Estimate
from saltern.errors import CurveError
from tests.published.data import rows as rows_of

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from PyCO2SYS import sys as foreign_system

EXACT = 1e-9


def water(alkalinity=2450.0, ph=8.05, salinity=35.0, sample_c=25.0, tank_c=25.0, *, u_ph=EXACT, **more):
    return Sample(
        Estimate(alkalinity, more.pop("u_alkalinity", EXACT)),
        Estimate(ph, u_ph),
        Estimate(salinity, more.pop("u_salinity", EXACT)),
        sample_c,
        tank_c,
        **more,
    )


def theirs(alkalinity, ph, salinity, sample_c, tank_c, **more):
    """PyCO2SYS 1.8.3 with the same choices: Lueker 2000, Dickson 1990, Uppstrom 1974, Dickson & Riley 1979."""
    return foreign_system(
        par1=alkalinity,
        par1_type=1,
        par2=ph,
        par2_type=3,
        salinity=salinity,
        temperature=sample_c,
        temperature_out=tank_c,
        opt_k_carbonic=10,
        opt_k_bisulfate=1,
        opt_total_borate=1,
        opt_k_fluoride=1,
        opt_pH_scale=1,
        **more,
    )


def test_the_range_of_a_tank_agrees_with_pyco2sys():
    """Alkalinity 1800-3600 umol/kg, pH 7.6-8.6, S 28-38, sample at 18-28 degC, tank at 23-28 degC."""
    random = np.random.default_rng(17)
    low, high = [1800.0, 7.6, 28.0, 18.0, 23.0], [3600.0, 8.6, 38.0, 28.0, 28.0]
    waters = random.uniform(low, high, (60, 5))
    reference = theirs(*waters.T)
    for k, values in enumerate(waters):
        found = carbonate_system(water(*values))

        assert found.carbon_umol_kg.value == pytest.approx(reference["dic"][k], abs=0.05)
        assert found.pco2_uatm.value == pytest.approx(reference["pCO2_out"][k], rel=2e-4)
        assert found.aragonite_saturation.value == pytest.approx(reference["saturation_aragonite_out"][k], rel=2e-4)
        assert found.ph_total.value == pytest.approx(reference["pH_total_out"][k], abs=1e-4)
        assert found.carbonate_umol_kg.value == pytest.approx(reference["CO3_out"][k], rel=2e-4)


def test_phosphate_and_the_keepers_calcium_agree_with_pyco2sys():
    reference = theirs(2500.0, 8.1, 34.0, 20.0, 26.0, total_phosphate=10.0, total_calcium=10_000.0)
    calcium_mg_l = 10_000.0e-6 * 40.078 * 1000.0 * 1.02
    more = {"density_kg_l": 1.02, "calcium_mg_l": Estimate(calcium_mg_l, EXACT), "phosphate_umol_kg": 10.0}
    found = carbonate_system(water(2500.0, 8.1, 34.0, 20.0, 26.0, **more))

    assert found.carbon_umol_kg.value == pytest.approx(reference["dic"], abs=0.05)
    assert found.aragonite_saturation.value == pytest.approx(reference["saturation_aragonite_out"], rel=2e-4)


def test_solubility_of_aragonite_over_the_grid():
    """Mucci 1983 as PyCO2SYS 1.8.3.4 computes it; S 35, 25 degC: pKsp 6.1883."""
    assert -np.log10(aragonite_solubility(35.0, 25.0)) == pytest.approx(6.1883, abs=1e-4)
    for row in rows_of("equilibrium_constants_pyco2sys.csv"):
        s, t = float(row["S"]), float(row["T"])

        assert -np.log10(aragonite_solubility(s, t)) == pytest.approx(float(row["pKsp_arag"]), abs=1e-5)
        assert calcium_mol_kg(s) * 1e6 == pytest.approx(float(row["Ca"]), rel=1e-4)


def test_calcium_of_standard_seawater():
    """10.28 mmol/kg at S 35: Dickson, Sabine & Christian 2007, chapter 5, table 3 (0.01028 mol/kg; from memory)."""
    assert calcium_mol_kg(35.0) == pytest.approx(0.01028, abs=1e-5)


def test_fugacity_of_carbon_dioxide():
    """Dickson, Sabine & Christian 2007, SOP 24: 0.9969 at 25 degC (from memory)."""
    assert fugacity_over_pressure(25.0) == pytest.approx(0.9969, abs=2e-4)


def test_its_uncertainty_is_what_many_draws_scatter_by():
    """Monte Carlo through PyCO2SYS, with pH, borate, calcium and alkalinity drawn (JCGM 101:2008)."""
    random, n = np.random.default_rng(5), 20_000
    borate = 415.7 * (1.0 + 0.3 * random.standard_normal(n))
    calcium = 10_280.0 * (1.0 + 0.1 * random.standard_normal(n))
    draws = theirs(
        2450.0 + 7.0 * random.standard_normal(n),
        8.05 + 0.02 * random.standard_normal(n),
        35.0,
        25.0,
        26.0,
        total_borate=borate,
        total_calcium=calcium,
    )
    found = carbonate_system(water(tank_c=26.0, u_ph=0.02, u_alkalinity=7.0))

    # the constants' own uncertainty is in ours and not in the draws
    assert found.carbon_umol_kg.u == pytest.approx(np.std(draws["dic"]), rel=0.15)
    assert found.pco2_uatm.u == pytest.approx(np.std(draws["pCO2_out"]), rel=0.15)
    assert found.aragonite_saturation.u == pytest.approx(np.std(draws["saturation_aragonite_out"]), rel=0.15)


def test_a_tris_check_is_worth_its_trouble():
    """At a pH known to 0.02, calcium tested to 2 %: about 29 umol/kg, 6 % and 7 %; at 0.04 clearly more."""
    tested = Estimate(420.0, 8.4)
    checked = carbonate_system(water(u_ph=0.02, calcium_mg_l=tested))
    unchecked = carbonate_system(water(u_ph=0.04, calcium_mg_l=tested))

    assert checked.carbon_umol_kg.u == pytest.approx(29.0, abs=4.0)
    assert checked.pco2_uatm.u / checked.pco2_uatm.value == pytest.approx(0.06, abs=0.01)
    assert checked.aragonite_saturation.u / checked.aragonite_saturation.value == pytest.approx(0.07, abs=0.015)
    assert unchecked.pco2_uatm.u > 1.6 * checked.pco2_uatm.u


def test_a_ph_that_leaves_no_carbon_is_refused():
    with pytest.raises(CurveError, match="leave no carbon"):
        carbonate_system(water(alkalinity=300.0, ph=10.5))
