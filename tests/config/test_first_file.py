"""The first bench file: it passes the check, carries what was said, and claims nothing that nobody has measured."""

from datetime import date

import pytest
from hypothesis import given, reject, settings
from hypothesis import strategies as st

from saltern.bench.devices import validate_devices
from saltern.config.first_file import UNKNOWN_YET, WIRINGS, first_file, write_new
from saltern.config.loading import load_bench
from saltern.config.questions import QUESTIONS, read
from saltern.errors import ConfigError, StartupError

DAY = date(2026, 3, 2)


def answers(**said):
    found = {}
    for question in QUESTIONS:
        found[question.key] = said.get(question.key, question.usual(found))
    return found


def bench_of(folder, wiring, **said):
    path = folder / "bench.toml"
    path.unlink(missing_ok=True)
    write_new(path, first_file(wiring, answers(**said), DAY))
    return load_bench(path)


@pytest.mark.parametrize("wiring", WIRINGS)
def test_the_usual_answers_make_a_bench_that_passes_the_check(tmp_path, wiring):
    config = bench_of(tmp_path, wiring)

    validate_devices(config)


@settings(max_examples=60)
@given(
    hundred=st.floats(20.0, 60.0),
    free_mm=st.floats(5.0, 15.0),
    spout=st.floats(70.0, 160.0),
    cell=st.floats(2.0, 9.0),
    mol_per_l=st.sampled_from([0.02, 0.05, 0.1]),
    dkh=st.floats(5.0, 13.0),
    every_h=st.floats(1.0, 24.0),
)
def test_whatever_vessel_is_measured_the_offered_sample_fits(
    tmp_path_factory, hundred, free_mm, spout, cell, mol_per_l, dkh, every_h
):
    said = {
        "height_of_100_ml_mm": hundred,
        "spout_mm": spout,
        "overfill_switch_mm": spout - free_mm,
        "conductivity_tip_mm": cell,
        "titrant_mol_per_l": mol_per_l,
        "expected_dkh": dkh,
        "every_h": every_h,
    }
    try:
        config = bench_of(tmp_path_factory.getbasetemp(), "simulated", **said)
    except StartupError:  # a vessel in which no sample covers the tip and stays below the float
        reject()
    vessel, sample = config.vessel, config.sample
    assert vessel.volume_at_ml(vessel.titrant_tip_mm) <= sample.volume_ml <= 0.99 * vessel.volume_at_ml(spout - free_mm)
    need_ml = 1.25 * dkh / 2.804 * sample.volume_ml / (1000.0 * mol_per_l)
    assert config.limits.titrant_per_run_ml > 2.5 * need_ml
    assert config.limits.titrant_per_day_ml > 2.9 * need_ml * 24.0 / every_h


@pytest.mark.parametrize("wiring", WIRINGS)
def test_nothing_is_stated_better_than_a_new_bench_knows_it(tmp_path, wiring):
    config = bench_of(tmp_path, wiring)

    assert config.titre.u_percent is None  # no reference was ever measured
    assert config.pumps.sample.gain_u_percent >= 2.0
    assert config.pumps.titrant.gain_u_percent >= 2.0
    assert config.probes.ph.e7_u_mv >= 5.0
    assert config.titrant.concentration_u_percent >= 2.0
    text = (tmp_path / "bench.toml").read_text(encoding="utf-8")
    assert not any(f"\n{name.rpartition('.')[2]} =" in text.partition("[pumps.waste]")[0] for name in UNKNOWN_YET)


def test_a_pump_gives_what_its_keeper_said(tmp_path):
    config = bench_of(tmp_path, "serial", sample_ml_per_min=60.0)

    assert config.pumps.sample.ml_per_unit * 2667 * 60.0 == pytest.approx(60.0, rel=1e-4)
    assert "100 mL/min" not in (tmp_path / "bench.toml").read_text(encoding="utf-8")


def test_a_tank_that_stands_higher_keeps_its_height_in_the_file(tmp_path):
    """What that means is the check's to say; the file must not hide it."""
    text = first_file("simulated", answers(tank_surface_mm=40.0), DAY)

    assert "inlet_mm = 40.0" in text


def test_a_file_that_is_there_stays_as_it_is(tmp_path):
    (tmp_path / "bench.toml").write_text("mine")

    with pytest.raises(ConfigError, match="exists already"):
        write_new(tmp_path / "bench.toml", "new")

    assert (tmp_path / "bench.toml").read_text() == "mine"


@pytest.mark.parametrize(
    ("key", "text"), [("spout_mm", "high"), ("spout_mm", "nan"), ("spout_mm", "1e9"), ("name", "My Tank"), ("name", ""),
                      ("time_zone", "Atlantis/Deep"), ("time_zone", "../../etc/passwd"), ("titrant_mol_per_l", "5")]
)  # fmt: skip
def test_an_answer_that_cannot_be_is_refused_with_how_to_find_out(key, text):
    (question,) = (each for each in QUESTIONS if each.key == key)

    with pytest.raises(ConfigError) as caught:
        read(question, text)

    assert question.how in str(caught.value)


def test_a_comma_is_a_decimal_point():
    (question,) = (each for each in QUESTIONS if each.key == "every_h")

    assert read(question, "2,5") == 2.5
