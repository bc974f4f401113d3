"""`saltern diagnose` on records of reefs that know nothing of the filter: causes, what would tell best, and charts."""

import json
from contextlib import closing
from dataclasses import replace
from datetime import timedelta

import pytest

from saltern.chemistry.endpoint.curve import EndPoint
from saltern.clock import VirtualClock
from saltern.config.loading import load_bench
from saltern.model.calibration import Calibration, Kind
from saltern.model.verdict import Quantity, Reason, Verdict
from saltern.records.calibrations import keep as keep_calibration
from saltern.records.opening import open_store
from saltern.running.instrument_signs import signs
from saltern.tank.findings import Ask, Cause, Whose
from tests.cli.command import run
from tests.cli.test_tank import BEGIN, DEMO, determination
from tests.tank.reef import Reef, play

AT_D = 9.0
STEADY = {"wander": (0.03, 0.03), "electrode_wander_mv": 0.1}
END_POINT = EndPoint("least-squares", 2300.0, 3.0, 405.0, 0.99, 12, 0.05)


def records(folder, days, seed=6, *, gain=None, **more):
    """Return a bench file beside records of so many days; what a reference found is kept as a standardisation."""
    (history,) = play(Reef(1, 16, **{**STEADY, **more}), seed).histories
    file = folder / "bench.toml"
    file.write_text(DEMO.read_text() + "\n[tank]\nvolume_l = 400.0\nvolume_u_percent = 1.5\n")
    with closing(open_store(folder / load_bench(file).records.path, VirtualClock())) as store:
        for each in history.references:
            if each.at_d < days:
                found = {"factor_found": 1.0 / (1.0 + each.excess), "u_found_percent": 100.0 * each.u}
                done = Calibration(Kind.TITRE, {}, "a reference", found)
                keep_calibration(store, done, "ada", BEGIN + timedelta(days=each.at_d), {"titre.factor": 1.0})
        if gain is not None:
            name, at_d, found = gain
            path = f"pumps.{name}.ml_per_unit"
            weighed = Calibration(Kind(f"{name}-pump"), {path: found}, "weighed", {"u_percent": 0.3})
            keep_calibration(store, weighed, "ada", BEGIN + timedelta(days=at_d), {path: 1.0})
        for each in history.seen:
            if each.at_d < days:
                store.keep(determination(BEGIN + timedelta(days=each.at_d), each.dkh))
    return file


def diagnosed(file, *words):
    code, out, err = run("diagnose", *words, "--bench", file, "--json")
    assert code == 0, err
    return json.loads(out)


def test_a_steady_tank_is_called_steady(tmp_path):
    found = diagnosed(records(tmp_path, 9.0))
    assert (found["is"], found["ask"]) == (None, None)
    assert found["nothing"] > 0.5
    assert sum(one["probability"] for one in found["causes"]) + found["nothing"] <= 1.0 + 1e-9


def test_a_step_that_may_be_either_is_not_told_apart_and_a_reference_is_asked_for_with_its_cost(tmp_path):
    found = diagnosed(records(tmp_path, 9.5, factor_step=(AT_D, 3.0)))
    assert found["is"] == "cannot-tell"
    assert found["ask"] == "reference"
    assert found["cost_ml"] > 100.0  # three runs of the sample
    assert {one["is"] for one in found["causes"]} >= {"tank", "instrument"}


def test_a_reference_after_it_tells_them_apart_and_stands_in_a_chart(tmp_path):
    file = records(tmp_path, 10.5, factor_step=(AT_D, 3.0), reference_every_d=4.0)
    found = diagnosed(file)
    assert found["is"] == "instrument"
    assert found["causes"][0]["cause"] in ("factor-moved", "recalibration", "air-in-titrant-line")
    references = next(chart for chart in found["charts"] if chart["of"] == "references")
    assert len(references["values"]) == 3
    assert 2 in references["shewhart"]["out"]
    assert references["cusum"]["out"]


def test_as_it_stood_when_a_determination_had_come_nothing_later_counts(tmp_path):
    file = records(tmp_path, 10.5, factor_step=(AT_D, 3.0), reference_every_d=4.0)
    then = diagnosed(file, 50)  # of the ninth day's morning
    assert then["is"] is None
    assert then["determination"]["id"] == 50
    assert then["at_utc"] < diagnosed(file)["at_utc"]
    code, _, err = run("diagnose", 999, "--bench", file)
    assert (code, "no determination 999" in err) == (1, True)


def test_pumps_that_were_weighed_speak_for_or_against_their_tubes(tmp_path):
    """A titrant pump that gives 3 % less makes results too high; one that gives what it should is not to blame."""
    blamed, cleared = {}, {}
    for name, gain, into in (("worn", 0.97, blamed), ("sound", 1.0, cleared)):
        folder = tmp_path / name
        folder.mkdir()
        more = {"factor_step": (AT_D, 3.0), "reference_every_d": 4.0, "gain": ("titrant", 10.2, gain)}
        found = diagnosed(records(folder, 10.5, **more))
        into.update({one["cause"]: one for one in found["causes"]})
    worn, sound = blamed["air-in-titrant-line"], cleared.get("air-in-titrant-line", {"probability": 0.0})
    assert worn["probability"] > 0.5 > 0.05 > sound["probability"]
    assert any("the titrant pump gives -3.0 ± 0.6 %" in words for words in worn["evidence"])


@pytest.mark.parametrize("width", [80, 60])
def test_it_fits_the_screen_and_says_what_to_do(tmp_path, monkeypatch, width):
    monkeypatch.setenv("COLUMNS", str(width))
    code, out, _ = run("diagnose", "--bench", records(tmp_path, 9.5, factor_step=(AT_D, 3.0)))
    assert code == 0
    assert max(map(len, out.splitlines())) <= width
    decides = "The measurement that would decide it: measure a reference"
    for words in ("not yet known", decides, "mL", "Shewhart", "EWMA", "CUSUM"):
        assert words in " ".join(out.split())


def test_its_sizes_are_in_the_keepers_unit(tmp_path):
    file = records(tmp_path, 9.7, level_step=(AT_D, 0.6))
    file.write_text(
        file.read_text().replace("schema_version = 1", 'schema_version = 1\nalkalinity_unit = "mg/L CaCO3"', 1)
    )
    words = " ".join(word for one in diagnosed(file)["causes"] for word in one["evidence"])
    assert "dKH" not in words
    size = float(words.split("a step of +")[1].split(" mg/L CaCO3")[0])
    assert size == pytest.approx(0.6 * 17.848, abs=2.0)  # 1 dKH is 17.85 mg/L of CaCO3 (common tables)


def test_too_few_results_and_a_bench_without_a_tank_say_so(tmp_path):
    file = records(tmp_path, 0.3)
    assert "Too few results" in run("diagnose", "--bench", file)[1]
    assert json.loads(run("diagnose", "--bench", file, "--json")[1])["is"] is None
    file.write_text(DEMO.read_text())
    code, _, err = run("diagnose", "--bench", file)
    assert (code, "volume_l" in err) == (2, True)


# The instrument's own record ----------------------------------------------------------


def history(**last):
    """Return thirty results, the last four of which have an end point that is otherwise."""
    usual = [replace(END_POINT, e0_mv=405.0 + 0.2 * (k % 3), slope=0.99 + 0.0005 * (k % 4)) for k in range(30)]
    changed = [*usual[:-4], *(replace(one, **last) for one in usual[-4:])]
    return [replace(determination(BEGIN + timedelta(hours=4 * k), 8.0), end_point=one) for k, one in enumerate(changed)]


def against(results, newest=()):
    return {sign.cause: sign.ratio for sign in signs(results, newest)}


def test_an_electrode_that_loses_slope_or_shifts_is_seen_and_one_that_does_not_is_not_accused():
    calm = against(history())
    assert max(calm.values()) < 1.0
    assert against(history(slope=0.96))[Cause.ELECTRODE_AGED] > 100.0
    assert against(history(slope=1.02))[Cause.ELECTRODE_AGED] < 1.0  # a better slope is not age
    assert against(history(e0_mv=415.0))[Cause.ELECTRODE_OFFSET] > 100.0
    assert against(history(residual_mv=0.4))[Cause.STIRRER] > 100.0


def test_an_electrode_that_does_not_answer_is_called_dead():
    mute = replace(determination(BEGIN, 8.0), alkalinity=Quantity(None, None, Verdict.VOID, (Reason.NO_RESPONSE,)))
    assert against(history(), [mute, mute])[Cause.ELECTRODE_DEAD] > 100.0


def test_every_cause_and_every_measurement_has_its_words():
    from saltern.report.finding_words import ASKS, CAUSES

    assert set(CAUSES) == set(Cause)
    assert set(ASKS) == set(Ask)
    assert {one.value for one in Whose} == {"tank", "instrument", "cannot-tell"}
