"""`saltern evaluate`: every curve gets an answer or one clear message, never a traceback."""

import json

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from saltern.chemistry.electrode import nernst_slope_mv
from saltern.chemistry.equilibria import constants
from saltern.chemistry.seawater import density_kg_l, totals
from saltern.chemistry.titration import solve_h
from tests.cli.command import run

SAMPLE_ML, SALINITY, TEMPERATURE_C, ALKALINITY, CARBON, MOL_PER_L = 100.0, 35.0, 25.0, 2400e-6, 2100e-6, 0.1
OPTIONS = ("--sample-ml", "100", "--salinity", "35", "--titrant-mol-per-l", "0.1")


def curve(last=1.3, ph_offset=0.0, signal="emf_mv", sign=1.0):
    """Return the text of a closed curve with 25 readings."""
    sample_kg = SAMPLE_ML * density_kg_l(SALINITY, TEMPERATURE_C) / 1000.0
    added_mol = np.linspace(0.0, last, 25) * ALKALINITY * sample_kg
    titrant_ml = added_mol / MOL_PER_L * 1000.0
    titrant_kg = titrant_ml * (density_kg_l(SALINITY, TEMPERATURE_C) + 0.0181 * MOL_PER_L) / 1000.0
    dilution = sample_kg / (sample_kg + titrant_kg)
    target = (ALKALINITY - added_mol / sample_kg) * dilution
    k, t = constants(SALINITY, TEMPERATURE_C), totals(SALINITY)
    ph = -np.log10(solve_h(target, CARBON, k, t, dilution)) + ph_offset
    values = ph if signal == "ph" else sign * (400.0 - nernst_slope_mv(TEMPERATURE_C) * ph)
    rows = [f"{v:.6f},{s:.5f},{TEMPERATURE_C}" for v, s in zip(titrant_ml, values, strict=True)]
    return "\n".join([f"titrant_ml,{signal},temperature_c", *rows]) + "\n"


@pytest.fixture
def write(tmp_path):
    def writer(text):
        path = tmp_path / "curve.csv"
        path.write_text(text)
        return path

    return writer


@pytest.mark.parametrize(
    "text",
    [
        curve(),
        curve(sign=-1.0),
        curve(signal="ph"),
        curve(signal="ph", ph_offset=3.7),
        "# a remark\n" + curve().replace("titrant_ml", "Titrant_mL"),
        curve().replace("temperature_c", "temperature_c,remark").replace(",25.0\n", ",25.0,x\n"),
    ],
    ids=["rising", "falling", "pH", "pH on an offset", "remarks", "other columns"],
)
def test_it_reads_what_a_keeper_may_have(write, text):
    code, out, _ = run("evaluate", write(text), *OPTIONS, "--co2", "closed", "--json")

    assert code == 0
    answer = json.loads(out)
    assert answer["alkalinity"]["umol_per_kg"] == pytest.approx(2400.0, abs=1.0)
    assert answer["alkalinity"]["dkh"] == pytest.approx(2400.0 * 1.0248 / 356.63, abs=0.01)
    assert set(answer) == {"schema_version", "alkalinity", "method", "e0_mv", "points_used", "residual_mv", "flags"}
    assert set(answer["alkalinity"]) == {"umol_per_kg", "u", "dkh", "meq_per_l"}


def test_all_methods_stand_side_by_side(write):
    path = write(curve())
    code, out, _ = run("evaluate", path, *OPTIONS, "--method", "all", "--json")
    methods = {m["method"]: m["alkalinity"] for m in json.loads(out)["methods"]}

    assert code == 0
    assert {"least-squares", "sop3b", "gran", "inflection", "fixed-ph"} <= set(methods)
    for answer in methods.values():
        assert abs(answer["umol_per_kg"] - 2400.0) < 3.0 * answer["u"]

    code, out, _ = run("evaluate", path, *OPTIONS, "--method", "all")
    assert code == 0
    assert "least-squares" in out
    assert "acid added" in out


def test_mass_and_volume_are_one(write):
    """2.5 mL of acid of 1.2 kg/L is 3 g: the same curve by mass and by volume gives the same answer."""
    by_volume = run("evaluate", write(curve()), *OPTIONS, "--titrant-density-kg-l", "1.03", "--json")
    rows = curve().splitlines()
    grams = [f"{float(r.split(',')[0]) * 1.03},{','.join(r.split(',')[1:])}" for r in rows[1:]]
    path = write("\n".join(["titrant_g,emf_mv,temperature_c", *grams]))
    by_mass = run("evaluate", path, *OPTIONS, "--titrant-density-kg-l", "1.03", "--json")

    a, b = (json.loads(out)["alkalinity"]["umol_per_kg"] for _, out, _ in (by_volume, by_mass))
    assert a == pytest.approx(b, abs=0.01)


MALFORMED = {
    "empty": ("", "is empty"),
    "only remarks": ("# nothing\n", "is empty"),
    "missing column": (curve().replace("emf_mv", "signal"), "the column emf_mv or ph is missing"),
    "no temperature": (curve().replace("temperature_c", "t"), "the column temperature_c is missing"),
    "wrong unit": (curve().replace("emf_mv", "emf_v"), "Give emf_mv, in mV"),
    "both signals": (curve().replace("temperature_c", "ph"), "emf_mv or ph: one is needed, not several"),
    "not a number": (curve().replace(",25.0\n", ",warm\n", 1), "curve.csv:2: temperature_c is 'warm'"),
    "NaN": (curve().replace(",25.0\n", ",nan\n", 1), "temperature_c is 'nan'"),
    "short line": (curve() + "9.9\n", "curve.csv:27: emf_mv is ''"),
    "decreasing": (curve() + "0.1,200,25\n", "the titrant decreases"),
    "two readings": ("titrant_ml,emf_mv,temperature_c\n0,0,25\n1,9,25\n", "has 2 readings"),
    "no titrant": ("titrant_ml,emf_mv,temperature_c\n1,0,25\n1,9,25\n1,10,25\n", "no titrant is added"),
    "kelvin": (curve().replace(",25.0\n", ",298.15\n"), "not a number between -2 and 50"),
}


@pytest.mark.parametrize(("text", "message"), MALFORMED.values(), ids=MALFORMED.keys())
def test_what_is_not_a_curve_is_refused_with_place_and_remedy(write, text, message):
    code, out, err = run("evaluate", write(text), *OPTIONS, "--json")

    assert code == 2
    assert out == ""
    assert message in err
    assert "curve.csv" in err
    assert "Traceback" not in err
    assert err.count("\n") == 1


@pytest.mark.parametrize("last", [0.1, 0.3, 0.5, 0.7, 0.8])
@pytest.mark.parametrize("co2", ["open", "closed", "purged"])
def test_a_curve_that_never_reaches_its_end_point_is_refused(write, last, co2):
    code, out, err = run("evaluate", write(curve(last=last)), *OPTIONS, "--co2", co2)

    assert code == 1
    assert out == ""
    assert "end point" in err
    assert "Titrate further" in err


def test_a_file_that_is_not_there_is_named(tmp_path):
    code, _, err = run("evaluate", tmp_path / "none.csv", *OPTIONS)

    assert code == 2
    assert "none.csv: cannot be read" in err


@pytest.mark.parametrize(
    "options",
    [
        ("--salinity", "35", "--titrant-mol-per-l", "0.1"),
        ("--sample-ml", "100", "--sample-g", "100", "--salinity", "35", "--titrant-mol-per-l", "0.1"),
        ("--sample-ml", "100", "--salinity", "35"),
        ("--sample-ml", "-3", "--salinity", "35", "--titrant-mol-per-l", "0.1"),
        ("--sample-ml", "100", "--salinity", "3500", "--titrant-mol-per-l", "0.1"),
        (*OPTIONS, "--method", "guess"),
        (*OPTIONS, "--no-such-option"),
    ],
)
def test_wrong_usage_is_exit_code_2(write, options):
    code, out, err = run("evaluate", write(curve()), *options)

    assert code == 2
    assert out == ""
    assert err
    assert "Traceback" not in err


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(max_size=400))
def test_random_bytes_never_give_a_traceback(tmp_path, noise):
    path = tmp_path / "noise.csv"
    path.write_bytes(noise)
    code, _, err = run("evaluate", path, *OPTIONS)

    assert code == 2
    assert "Traceback" not in err


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(st.tuples(st.floats(0.0, 20.0), st.floats(-500.0, 500.0), st.floats(0.0, 45.0)), min_size=3, max_size=30)
)
def test_random_numbers_get_an_answer_or_one_message(tmp_path, readings):
    readings = sorted(readings)
    text = "titrant_ml,emf_mv,temperature_c\n" + "\n".join(f"{a},{b},{c}" for a, b, c in readings)
    path = tmp_path / "numbers.csv"
    path.write_text(text)
    code, out, err = run("evaluate", path, *OPTIONS, "--method", "all", "--json")

    assert code in (0, 1, 2)
    assert "Traceback" not in err
    if code == 0:
        assert all(np.isfinite(m["alkalinity"]["u"]) for m in json.loads(out)["methods"])
