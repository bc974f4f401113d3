"""The one list of methods: every place that offers one takes it from there, and each answers by its own name."""

import numpy as np
import pytest
from typer.testing import CliRunner

from saltern.chemistry.electrode import nernst_slope_mv
from saltern.chemistry.endpoint.curve import Co2, Conditions, Curve, Priors
from saltern.chemistry.endpoint.methods import DEFAULT, NAMES, WHERE, method
from saltern.chemistry.equilibria import constants
from saltern.chemistry.seawater import totals
from saltern.chemistry.titration import solve_h
from saltern.chemistry.titration_knowledge import knowledge_of
from saltern.chemistry.titration_plan import REACHED_PH, Effort, next_dose_g
from saltern.config.loading import load_bench, shipped_config, with_values
from saltern.config.tables import BenchConfig
from saltern.errors import StartupError
from tests.cli.command import app

SAMPLE_G, ACID_MOL_KG, ALKALINITY, CARBON = 150.0, 0.05, 2400e-6, 2050e-6
CONDITIONS = Conditions(SAMPLE_G, 35.0, ACID_MOL_KG, titrant_salinity=35.0, co2=Co2.CLOSED)
WORST_UMOL_KG = 80.0  # the largest bias that a docstring of these methods states is -57


def curve_after(titrant_g):
    """Return a noiseless curve in a closed vessel."""
    grams = np.asarray(titrant_g)
    k, water = constants(35.0, 25.0), totals(35.0)
    d = SAMPLE_G / (SAMPLE_G + grams)
    left = (ALKALINITY - grams * ACID_MOL_KG / SAMPLE_G) * d
    ph = [
        -np.log10(float(solve_h(a, CARBON * dilution, k, water, dilution))) for a, dilution in zip(left, d, strict=True)
    ]
    return Curve(grams, 400.0 - nernst_slope_mv(25.0) * np.array(ph), np.full(len(grams), 25.0))


@pytest.mark.parametrize("name", NAMES)
def test_each_method_answers_by_its_own_name_and_near_the_truth(name):
    found = method(name).find(
        curve_after(np.linspace(0.0, 1.3, 40) * ALKALINITY * SAMPLE_G / ACID_MOL_KG), CONDITIONS, Priors()
    )

    assert found.method == name
    assert abs(found.alkalinity_umol_kg - 1e6 * ALKALINITY) < WORST_UMOL_KG


@pytest.mark.parametrize("name", NAMES)
def test_a_titration_is_planned_for_every_method_and_comes_to_its_end(name):
    grams = [0.0]

    def dose_after(curve):
        known = knowledge_of(curve, CONDITIONS, Priors())
        return next_dose_g(known, curve, CONDITIONS, Priors(), Effort(0.1, 0.01, 60.0), name)

    while (dose := dose_after(curve_after(grams))) is not None:
        grams.append(grams[-1] + dose)
        assert len(grams) < 40

    targets = method(name).targets_ph_free
    if targets is None:
        assert name == DEFAULT
        return
    assert list(targets) == sorted(targets, reverse=True)
    k, water = constants(35.0, 25.0), totals(35.0)
    d = SAMPLE_G / (SAMPLE_G + grams[-1])
    left = (ALKALINITY - grams[-1] * ACID_MOL_KG / SAMPLE_G) * d
    assert -np.log10(float(solve_h(left, CARBON * d, k, water, d))) < targets[-1] + 2 * REACHED_PH


def test_the_bench_file_takes_every_method_and_names_them_all_for_another():
    bench = load_bench(shipped_config("bench-simulated.toml"))
    assert all(with_values(bench, {"method": name}, where="here").method == name for name in NAMES)
    assert BenchConfig.model_json_schema()["properties"]["method"]["enum"] == list(NAMES)

    with pytest.raises(StartupError) as refused:
        with_values(bench, {"method": "guess"}, where="here")
    assert all(name in str(refused.value) for name in NAMES)


@pytest.mark.parametrize("command", [("evaluate", "x.csv", "--salinity", "35"), ("show", "1")])
def test_commands_name_every_method_for_one_that_is_not(command):
    result = CliRunner().invoke(app, [*command, "--method", "guess"], env={"COLUMNS": "300"})

    assert result.exit_code == 2
    assert all(name in result.output for name in NAMES)


def test_no_two_methods_are_one():
    assert len(set(WHERE.values())) == len(NAMES)
