"""Recipes, against arithmetic by hand, published masses and densities, and a draw of all that is not known."""

import json
import random
import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from saltern.chemistry.recipes import (
    SODIUM_CARBONATE_G_MOL,
    Scale,
    carbonate_alkalinity_umol_kg,
    carbonate_recipe,
    in_vacuo,
    titrant_recipe,
)
from tests.cli.command import app

FINE, COARSE = Scale(0.01, 200.0), Scale(1.0, 5000.0)


def test_molar_mass_of_sodium_carbonate_from_its_atoms():
    """IUPAC standard atomic weights, abridged: Na 22.990, C 12.011, O 15.999."""
    assert pytest.approx(2 * 22.98976928 + 12.011 + 3 * 15.999, abs=0.001) == SODIUM_CARBONATE_G_MOL


def test_one_mole_of_carbonate_is_two_of_alkalinity():
    """5.2994 g (0.05 mol) in 1 kg, diluted one to forty: 2500 umol/kg."""
    assert carbonate_alkalinity_umol_kg(5.2994, 1000.0, 25.0, 1000.0) == pytest.approx(2500.0, rel=1e-4)


def test_buoyancy_of_the_carbonate_and_of_its_solution_differ_by_seven_parts_in_ten_thousand():
    """By hand: air 1.19 kg/m3, weights 8000, Na2CO3 2540, the solution 1026: 0.99930."""
    by_hand = (1 - 1.19 / 1026) / (1 - 1.19 / 2540)
    assert in_vacuo(1.0, 2.54) / in_vacuo(1.0, 1.026) == pytest.approx(by_hand, rel=2e-5)
    assert by_hand == pytest.approx(0.99931, abs=2e-5)


@given(final_g=st.floats(500.0, 5000.0), wanted=st.floats(1500.0, 4500.0))
def test_a_standard_can_be_weighed_with_a_kitchen_scale_and_one_of_a_hundredth_of_a_gram(final_g, wanted):
    recipe = carbonate_recipe(wanted, final_g, FINE, COARSE)

    assert recipe.alkalinity_umol_kg == pytest.approx(wanted, rel=0.006)
    assert recipe.u_umol_kg < 0.003 * wanted + 4.0
    for mass_g in (recipe.stock_carbonate_g, recipe.take_stock_g):
        assert mass_g <= 200.0
        assert mass_g == pytest.approx(round(mass_g, 2), abs=1e-9)


def test_its_stated_uncertainty_is_that_of_standards_made_by_it():
    """Two thousand keepers weigh by it; each has a scale, a jar of carbonate and a bag of salt of their own."""
    recipe = carbonate_recipe(2400.0, 2000.0, FINE, COARSE, oven_c=250.0)
    dice, made = random.Random(11), []

    def error(step):
        return dice.uniform(-step, step)

    for _ in range(2000):
        carbonate_g = in_vacuo(recipe.stock_carbonate_g + error(0.01), 2.54) * (0.99975 + error(0.001))
        stock_g = in_vacuo(1000.0 + error(1.0), 1.0263)
        alkali_g = dice.uniform(0.0, 0.000005) * 40.9 / 1000.0 * 1000.0
        alkalinity = 2e6 * carbonate_g / 105.988 / (stock_g / 1000.0)
        alkalinity *= (recipe.take_stock_g + error(0.01)) / (recipe.final_g + error(1.0))
        made.append(alkalinity + 2e6 * alkali_g / 105.988)

    assert statistics.mean(made) == pytest.approx(recipe.alkalinity_umol_kg, abs=0.3)
    assert statistics.stdev(made) == pytest.approx(recipe.u_umol_kg, rel=0.1)


def test_a_measured_blank_takes_the_place_of_the_assumed_one():
    assumed = carbonate_recipe(2400.0, 2000.0, FINE, COARSE)
    measured = carbonate_recipe(2400.0, 2000.0, FINE, COARSE, nacl_blank_umol_kg=12.0)

    less = assumed.alkalinity_umol_kg - 0.5 * 2.0e9 * 0.0409101 * 0.000005 / 105.988
    assert measured.alkalinity_umol_kg == pytest.approx(less + 12.0, abs=0.05)
    assert measured.budget_umol_kg["alkali of the NaCl"] == 1.0


def test_an_oven_that_does_not_reach_the_drying_of_a_primary_standard_costs_uncertainty():
    kitchen, laboratory = (carbonate_recipe(2400.0, 2000.0, FINE, COARSE, oven_c=c) for c in (250.0, 280.0))

    assert kitchen.budget_umol_kg["assay and drying"] > 3.0 * laboratory.budget_umol_kg["assay and drying"]
    with pytest.raises(ValueError, match="does not dry"):
        carbonate_recipe(2400.0, 2000.0, FINE, COARSE, oven_c=180.0)


def test_a_scale_that_cannot_take_the_standard_is_named():
    with pytest.raises(ValueError, match="takes 500 g"):
        carbonate_recipe(2400.0, 2000.0, FINE, Scale(1.0, 500.0))


@given(mol_per_l=st.floats(0.01, 0.2), litres=st.floats(0.2, 5.0), stock=st.floats(0.3, 2.0))
def test_a_bottle_of_titrant_holds_the_acid_that_went_in(mol_per_l, litres, stock):
    recipe = titrant_recipe(mol_per_l, litres, stock, "nacl")

    assert recipe.stock_ml / 1000.0 * stock == pytest.approx(mol_per_l * litres)
    assert recipe.nacl_g / 58.443 / (recipe.final_g / 1000.0) + mol_per_l == pytest.approx(0.7, abs=1e-6)


def test_the_density_of_dilute_acid_is_that_of_the_tables():
    """1 mol/L hydrochloric acid at 20 degC: 1.016 kg/L (CRC Handbook; from memory)."""
    recipe = titrant_recipe(0.05, 1.0, 1.0, "water")

    assert recipe.stock_g / recipe.stock_ml == pytest.approx(1.016, abs=0.001)


@pytest.mark.parametrize(("stock", "why"), [(12.0, "fumes"), (0.05, "cannot be diluted")])
def test_acid_that_is_nothing_for_a_household_is_refused(stock, why):
    with pytest.raises(ValueError, match=why):
        titrant_recipe(0.05, 1.0, stock, "nacl")


def test_cautions_come_before_the_first_step():
    said = CliRunner().invoke(app, ["recipe", "titrant"]).output

    assert said.index("goggles") < said.index("Water first") < said.index("1. Put")


def test_a_recipe_for_machines_says_what_the_screen_says():
    found = json.loads(CliRunner().invoke(app, ["recipe", "--json", "--mass-g", "2000"]).output)
    made = carbonate_recipe(2400.0, 2000.0, FINE, COARSE)

    assert found["alkalinity_umol_kg"] == pytest.approx(made.alkalinity_umol_kg)
    assert found["budget_umol_kg"].keys() == made.budget_umol_kg.keys()


def test_what_there_is_no_recipe_for_is_refused():
    assert CliRunner().invoke(app, ["recipe", "coffee"]).exit_code != 0
