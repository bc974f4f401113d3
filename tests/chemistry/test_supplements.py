"""Doses in mL and grams, against stoichiometry from atomic masses and PyCO2SYS."""

import warnings

import pytest

from saltern.chemistry.supplements import (
    CAUTIONS,
    STOICHIOMETRY,
    Salt,
    calcium_mg_l,
    dkh_of,
    grams_for,
    ml_for,
    ph_change,
    sodium_mg_l,
    stock,
)

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from PyCO2SYS import sys as foreign_system

NA, H, C, O = 22.98976928, 1.008, 12.011, 15.999  # noqa: E741 - IUPAC standard atomic weights, 2021


def test_molar_masses_from_their_atoms():
    assert STOICHIOMETRY[Salt.BICARBONATE].g_mol == pytest.approx(NA + H + C + 3 * O, abs=0.002)
    assert STOICHIOMETRY[Salt.CARBONATE].g_mol == pytest.approx(2 * NA + C + 3 * O, abs=0.002)
    assert STOICHIOMETRY[Salt.HYDROXIDE].g_mol == pytest.approx(NA + O + H, abs=0.002)


@pytest.mark.parametrize(
    ("salt", "grams"),
    [  # 1 dKH is 2 / 56.0774 g/L of CaO in equivalents: 0.35665 meq/L; in 100 L 35.665 meq
        (Salt.BICARBONATE, 2.996),
        (Salt.CARBONATE, 1.890),
        (Salt.HYDROXIDE, 1.4265),
    ],
)
def test_one_degree_in_a_hundred_litres(salt, grams):
    assert grams_for(salt, 1.0, 100.0) == pytest.approx(grams, abs=0.001)


def test_a_stock_and_its_millilitres():
    """84.006 g of bicarbonate in a litre is 1 meq/mL: 142.7 mL raise 400 L by 1 dKH."""
    soda = stock("soda", Salt.BICARBONATE, 84.006)

    assert soda.meq_ml == pytest.approx(1.0)
    assert ml_for(soda, 1.0, 400.0) == pytest.approx(142.66, abs=0.01)
    assert dkh_of(soda, ml_for(soda, 0.37, 250.0), 250.0) == pytest.approx(0.37)


def test_the_strength_of_a_stock_of_ones_own_is_not_guessed():
    with pytest.raises(ValueError, match="strength"):
        stock("mine", Salt.OWN, 10.0)


@pytest.mark.parametrize("salt", [Salt.BICARBONATE, Salt.CARBONATE, Salt.HYDROXIDE])
def test_what_a_dose_does_to_ph_agrees_with_pyco2sys(salt):
    """1 dKH (348.0 umol/kg at S 35 and 20 degC) into water of 8 dKH and 2450 umol/kg of carbon, 25 degC."""
    before = foreign_system(8.0 * 348.03, 2450.0, 1, 2, salinity=35.0, temperature=25.0, opt_k_fluoride=1)["pH_total"]
    of = STOICHIOMETRY[salt]
    after = foreign_system(
        9.0 * 348.03, 2450.0 + 348.03 * of.carbon / of.equivalents, 1, 2, salinity=35.0, temperature=25.0,
        opt_k_fluoride=1,
    )["pH_total"]  # fmt: skip

    assert ph_change(salt, 1.0, 8.0, 2450.0, 35.0, 25.0) == pytest.approx(after - before, abs=5e-4)


def test_bicarbonate_lowers_ph_a_little_and_the_others_raise_it():
    change = {salt: ph_change(salt, 1.0, 8.0, 2450.0, 35.0, 25.0) for salt in Salt}

    assert -0.05 < change[Salt.BICARBONATE] < 0.0 < change[Salt.CARBONATE] < change[Salt.HYDROXIDE]
    assert change[Salt.OWN] == 0.0


def test_what_comes_and_goes_with_it():
    """8.2 mg/L of sodium and 7.1 mg/L of calcium for each dKH; two equivalents for one calcium."""
    assert sodium_mg_l(1.0) == pytest.approx(8.199, abs=0.001)
    assert calcium_mg_l(1.0) == pytest.approx(7.147, abs=0.001)


def test_hydroxide_comes_with_its_caution():
    assert "caustic" in CAUTIONS[Salt.HYDROXIDE]
