"""Weighing, carbonate, and conductivity standards against handbooks; sources beside each value."""

import pytest

from saltern.chemistry.seawater import practical_salinity
from saltern.chemistry.standards import (
    SODIUM_CARBONATE_G_MOL,
    SODIUM_CHLORIDE,
    as_shown,
    carbonate_alkalinity_umol_kg,
    carbonate_recipe,
    nacl_density_kg_l,
    standard_ms_cm,
)
from saltern.chemistry.volumetric import air_density_kg_m3, volume_ml, z_factor_ml_g


@pytest.mark.parametrize(
    ("temperature_c", "kpa", "z"),
    [  # ISO 8655-6:2002, table A.1 (from memory)
        (15.0, 101.3, 1.0020),
        (20.0, 101.3, 1.0029),
        (20.0, 95.0, 1.0028),
        (25.0, 101.3, 1.0040),
        (30.0, 101.3, 1.0054),
    ],
)
def test_z_factors(temperature_c, kpa, z):
    assert z_factor_ml_g(temperature_c, kpa) == pytest.approx(z, abs=6e-5)


def test_air_weighs_about_a_gram_a_litre():
    assert air_density_kg_m3(20.0) == pytest.approx(1.199, abs=0.001)  # CIPM-2007 at 50 % humidity (from memory)


def test_seawater_weighed_in_air_is_a_little_more_than_it_shows():
    """100 g shown of a liquid of 1.0233 kg/L: 97.72 mL in vacuo, and 0.1 % more for buoyancy."""
    assert volume_ml(100.0, 1.0233, 25.0) == pytest.approx(100.0 / 1.0233 * 1.00101, rel=2e-5)


def test_molar_mass_of_sodium_carbonate_from_its_atoms():
    """IUPAC standard atomic weights, abridged: Na 22.990, C 12.011, O 15.999."""
    assert pytest.approx(2 * 22.98976928 + 12.011 + 3 * 15.999, abs=0.001) == SODIUM_CARBONATE_G_MOL


def test_one_mole_of_carbonate_is_two_of_alkalinity():
    """5.2994 g (0.05 mol) in 1 kg, diluted one to forty: 2500 umol/kg."""
    assert carbonate_alkalinity_umol_kg(5.2994, 1000.0, 25.0, 1000.0) == pytest.approx(2500.0, rel=1e-4)


@pytest.mark.parametrize("final_g", [500.0, 1000.0, 5000.0])
def test_a_recipe_serves_with_a_scale_of_a_hundredth_of_a_gram(final_g):
    recipe = carbonate_recipe(2400.0, final_g)
    made = carbonate_alkalinity_umol_kg(recipe.stock_carbonate_g, recipe.stock_g, recipe.take_stock_g, recipe.final_g)

    assert as_shown() * made == recipe.alkalinity_umol_kg == pytest.approx(2400.0, rel=0.005)
    assert recipe.u_umol_kg / made < 0.0015
    assert recipe.stock_carbonate_g == pytest.approx(round(recipe.stock_carbonate_g, 2), abs=1e-9)


def test_density_of_its_background():
    """4 % NaCl at 20 degC: 1.0268 kg/L (CRC Handbook; from memory)."""
    mol_per_kg = 40.0 / 58.443
    assert nacl_density_kg_l(20.0, mol_per_kg) == pytest.approx(1.0268, abs=3e-4)


@pytest.mark.parametrize(
    ("name", "temperature_c", "ms_cm"),
    [
        ("kcl-0.1", 25.0, 12.8246),  # Wu, Koch & Pratt 1991; check-values kcl.0.1m
        ("kcl-0.01", 20.0, 1.27303),  # the same
        ("35", 15.0, 42.914),  # PSS-78 at t68 = 15, S = 35: Culkin & Smith 1980
        ("53.0 mS/cm", 25.0, 53.0),
    ],
)
def test_conductivity_standards(name, temperature_c, ms_cm):
    assert standard_ms_cm(name, temperature_c) == pytest.approx(ms_cm, rel=2e-4)


@pytest.mark.parametrize("salinity", ["28", "35"])
@pytest.mark.parametrize("temperature_c", [18.0, 25.0, 31.0])
def test_a_salinity_standard_reads_as_its_name_through_the_definition(salinity, temperature_c):
    assert practical_salinity(standard_ms_cm(salinity, temperature_c), temperature_c) == pytest.approx(float(salinity))


@pytest.mark.parametrize("name", ["99", "coffee", "0.5"])
def test_what_is_no_standard_is_refused(name):
    with pytest.raises(ValueError):
        standard_ms_cm(name, 25.0)


def test_a_recipe_counts_the_airs_buoyancy():
    """By hand: 1.00032 of the solid over 1.00102 of the solution, 0.07 % or 1.7 umol/kg at 2400."""
    assert as_shown() == pytest.approx(1.00032 / 1.00102, abs=1e-5)


def test_what_table_salt_would_add():
    """0.7 mol/kg of NaCl, 58.443 g/mol, with 0.02 % of MgCO3, 84.314 g/mol; each takes two acids."""
    assert pytest.approx(194.0, abs=0.5) == 0.7 * 58.443 * 2e-4 / 84.314 * 2e6
    assert "194 umol/kg" in SODIUM_CHLORIDE
