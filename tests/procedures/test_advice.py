"""What `check` says of a bench's reach."""

import pytest

from saltern.config.loading import bench_from
from saltern.procedures.advice import reach, sentences, variants
from tests.twin_bench import bench_table


def config(changes=None, name="bench-simulated.toml"):
    return bench_from(bench_table(changes, name), where="test")


@pytest.mark.parametrize("name", ["bench-simulated.toml", "bench-simulated-hobby.toml"])
def test_on_the_example_benches_the_sample_volume_dominates(name):
    here = reach(config(name=name))

    assert here.dominant == "sample volume, from fill to fill"
    assert here.fits
    assert "dominates" in sentences(here, variants(config(name=name)))[0]


def test_a_bench_whose_titrant_pump_is_coarse_is_told_to_mend_that():
    coarse = config({"pumps.titrant.dose_walk_ml": 0.03, "titrant.concentration_mol_per_l": 0.1})
    here, others = reach(coarse), {other.what: other for other in variants(coarse)}

    assert here.dominant == "curve"
    assert others["a titrant of half the strength"].u_umol_kg < 0.85 * here.u_umol_kg
    assert others["a titrant tube that doses twice as evenly"].u_umol_kg < 0.65 * here.u_umol_kg


def test_what_does_not_fit_the_vessel_is_said():
    line = next(line for line in sentences(reach(config()), variants(config())) if "half as large again" in line)

    assert "do not allow it" in line
