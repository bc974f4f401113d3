"""The commands as a keeper types them."""

import json
import re
import signal
import sys
from pathlib import Path
from subprocess import PIPE

import pytest

from saltern.config.loading import shipped_config
from tests import processes
from tests.cli.command import run
from tests.processes import SALTERN, Service, begin, rows, until
from tests.sizes import sizes

TOP = {"schema_version", "determinations", "trips", "alerts", "truth", "ledger_bound_held", "wall_s", "tank"}
DETERMINATION = {"id", "source", "started_h", "alkalinity", "ph_total", "salinity"}
ALKALINITY = {"umol_per_kg", "dkh", "u", "truth", "verdict", "reasons"}
QUANTITY = {"value", "u", "truth", "verdict", "reasons"}
TRUTH = {
    "peak_vessel_ml",
    "vessel_capacity_ml",
    "spilled_ml",
    "titrant_to_tank_ml",
    "max_titrant_in_one_run_ml",
    "max_moving_s_after_trip",
}


@pytest.fixture
def scenario(tmp_path):
    def write(text):
        path = tmp_path / "scenario.toml"
        path.write_text(text)
        return path

    return write


def simulate(path):
    code, out, _ = run("simulate", path, "--json")
    assert code == 0
    return json.loads(out)


SOME_DAYS = """
seed = 7
days = {days}
[tank]
alkalinity_umol_kg = 2450.0
salinity = 35.0
temperature_c = 25.5
consumption_dkh_per_day = 0.8
dosed_dkh_per_day = 0.8
[twin]
instruments = "good"
calibrated = true
[schedule]
every_h = 4
"""


@pytest.mark.slow
@pytest.mark.parametrize("days", sizes(1, in_soak=5))
def test_some_days_on_the_default_bench_are_right(scenario, days):
    outcome = simulate(scenario(SOME_DAYS.replace("{days}", f"{days}.0")))
    accepted = [d for d in outcome["determinations"] if d["alkalinity"]["verdict"] == "accepted"]
    errors = [d["alkalinity"]["umol_per_kg"] - d["alkalinity"]["truth"] for d in accepted]

    slots = 6 * days
    assert len(accepted) == slots  # a curve doubted by chance, one in some hundred, is asked again at once
    assert len(outcome["determinations"]) <= slots + 2
    resolution = 0.1
    for d, error in zip(accepted, errors, strict=True):
        assert abs(error) <= 3.0 * d["alkalinity"]["u"] + resolution
        assert d["alkalinity"]["u"] <= 12.0
    assert abs(sum(errors) / len(errors)) <= 6.0
    for d in outcome["determinations"]:
        if d["ph_total"]["verdict"] == "accepted":
            assert abs(d["ph_total"]["value"] - d["ph_total"]["truth"]) <= 0.03
        if d["salinity"]["verdict"] == "accepted":
            assert abs(d["salinity"]["value"] - d["salinity"]["truth"]) <= 3.0 * d["salinity"]["u"]
    assert outcome["truth"]["spilled_ml"] == 0.0
    assert outcome["truth"]["titrant_to_tank_ml"] == 0.0
    assert outcome["ledger_bound_held"]
    assert [t for t in outcome["trips"] if t["kind"] == "trip"] == []


def test_the_json_has_the_published_keys_and_no_others(scenario):
    outcome = simulate(scenario("seed = 7\ndays = 0.3\n[[fault]]\nkind = 'leak'\nat_h = 5.0\n"))

    assert set(outcome) == TOP
    assert set(outcome["truth"]) == TRUTH
    assert len(outcome["determinations"]) == 3
    for d in outcome["determinations"]:
        assert set(d) == DETERMINATION
        assert set(d["alkalinity"]) == ALKALINITY
        assert set(d["ph_total"]) == set(d["salinity"]) == QUANTITY
    (leak,) = (t for t in outcome["trips"] if t["interlock"] == "leak")
    assert set(leak) == {"at_h", "cleared_h", "interlock", "kind", "cuts"}
    assert leak["cuts"] == ["sample", "titrant"]  # never waste: it is what saves the floor
    assert leak["at_h"] == pytest.approx(5.0, abs=0.01)
    alerts = [a for a in outcome["alerts"] if a["code"] == "interlock-leak"]
    assert alerts[0]["severity"] == "alert"
    assert set(alerts[0]) == {"at_h", "severity", "code", "text"}


def test_an_operator_resets_a_trip_and_the_next_determination_succeeds(scenario):
    text = """
seed = 7
days = 0.5
[[fault]]
kind = "leak"
at_h = 5.0
for_h = 1.0
[[operator]]
at_h = 7.0
command = ["reset"]
"""
    outcome = simulate(scenario(text))
    (leak,) = (t for t in outcome["trips"] if t["interlock"] == "leak")

    assert leak["cleared_h"] == pytest.approx(7.0, abs=0.05)
    assert outcome["determinations"][-1]["started_h"] >= 8.0
    assert outcome["determinations"][-1]["alkalinity"]["verdict"] == "accepted"


def test_a_fault_at_a_phase_comes_at_that_phase(scenario):
    text = """
seed = 7
days = 0.25
[[fault]]
kind = "titrant-pump-stalled"
at_phase = "titrate"
determination = 3
after_s = 5
"""
    outcome = simulate(scenario(text))
    _, second, third = outcome["determinations"]

    assert second["alkalinity"]["verdict"] == "accepted"
    assert third["alkalinity"]["verdict"] in ("void", "suspect")


def test_a_bench_out_of_the_box_never_says_accepted(scenario):
    outcome = simulate(scenario("seed = 3\ndays = 0.2\n[twin]\ncalibrated = false\n"))

    assert len(outcome["determinations"]) >= 2
    assert {d["alkalinity"]["verdict"] for d in outcome["determinations"]} <= {"provisional", "suspect"}


def test_hobby_instruments_state_what_they_are_worth(scenario):
    outcome = simulate(scenario("seed = 4\ndays = 1.0\n[twin]\ninstruments = 'hobby'\n"))
    accepted = [d["alkalinity"] for d in outcome["determinations"] if d["alkalinity"]["verdict"] == "accepted"]

    assert len(accepted) >= 5
    for a in accepted:
        assert abs(a["umol_per_kg"] - a["truth"]) < 3.0 * a["u"]
        assert a["u"] > 8.0


def test_all_mistakes_of_a_scenario_come_in_one_tree(scenario):
    path = scenario(
        "seed = -1\ndays = 'two'\n[tank]\nsalt = 35\n[[fault]]\nkind = 'flood'\nat_h = 1\n[twin]\nsize = 2\n"
    )
    code, out, err = run("simulate", path, "--json")

    assert code == 2
    assert out == ""
    for place in ("seed", "days", "tank.salt", "'flood' is not a fault", "size is not an error of the twin"):
        assert place in err


@pytest.mark.parametrize("kind", ["power-cut", "process-killed", "service-hang"])
def test_a_service_that_dies_titrating_keeps_the_half_done_run_as_void_and_starts_by_emptying(scenario, kind):
    fault = f"[[fault]]\nkind = '{kind}'\nat_phase = 'titrate'\ndetermination = 3\nafter_s = 30\n"
    code, out, _ = run("simulate", scenario(f"seed = 7\ndays = 0.5\n{fault}"), "--json")
    played = json.loads(out)

    assert code == 0
    verdicts = [(d["alkalinity"]["verdict"], d["alkalinity"]["reasons"]) for d in played["determinations"]]
    assert verdicts[1:] == [("accepted", []), ("void", ["interrupted"]), ("accepted", []), ("accepted", [])]
    assert "unclean-stop" in {alert["code"] for alert in played["alerts"]}
    assert played["truth"]["spilled_ml"] == 0.0
    assert played["ledger_bound_held"]


@pytest.mark.parametrize("kind", ["disk-full", "disk-readonly"])
def test_a_disk_that_fails_for_an_hour_is_told_of_and_loses_no_result(scenario, kind):
    fault = f"[[fault]]\nkind = '{kind}'\nat_phase = 'empty after titration'\ndetermination = 3\nfor_h = 1\n"
    code, out, _ = run("simulate", scenario(f"seed = 7\ndays = 0.6\n{fault}"), "--json")
    played = json.loads(out)

    assert code == 0
    assert [d["alkalinity"]["verdict"] for d in played["determinations"][1:]] == ["accepted"] * 4
    assert "storage" in {alert["code"] for alert in played["alerts"]}


def test_the_demo_shows_results_truth_and_a_curve(monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    code, out, _ = run("demo")

    assert code == 0
    assert out.count("determination") >= 6
    assert "truth" in out
    assert "acid added" in out
    rows = [line for line in _shown_in_the_readme() if re.match(r"\d+ +\d+\.\d ", line)]
    assert len(rows) == 7  # the first is measured twice
    assert not [row for row in rows if row not in map(str.strip, out.splitlines())], "the README shows an old demo"


def _shown_in_the_readme():
    text = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    return [line.strip() for line in text.splitlines() if line.startswith("    ")]


def test_check_says_what_follows_and_what_is_wrong(tmp_path):
    code, out, _ = run("check", "--json")
    found = json.loads(out)
    assert code == 0
    assert {fact["name"] for fact in found["facts"]} >= {"rinses", "a bottle lasts", "tank water taken"}
    assert len(found["interlocks"]) >= 8
    assert found["warnings"] == []

    text = shipped_config("bench-simulated.toml").read_text()
    path = tmp_path / "bench.toml"
    path.write_text(text.replace("pin = 12", "pin = 17").replace("outlet_mm = 85", "outlet_mm = 60"))
    code, out, err = run("check", path)
    assert code == 2
    assert "gpio:17 is used twice" in err
    path.write_text(text.replace("outlet_mm = 85", "outlet_mm = 60"))
    code, _, err = run("check", path)
    assert code == 2
    assert "ends below the spout" in err
    path.write_text(text.replace("inlet_mm = -50", "inlet_mm = 50"))
    code, _, err = run("check", path)
    assert code == 2
    assert "titrant bottle is above the tip" in err


def test_check_explains_what_an_upgrade_refuses_and_the_ways_out(tmp_path):
    code, out, _ = run("check", "--explain-upgrade")
    assert code == 0
    assert "nothing of this file" in out

    path = tmp_path / "bench.toml"
    path.write_text(shipped_config("bench-simulated.toml").read_text().replace("inlet_mm = -200", "inlet_mm = 150", 1))
    code, _, err = run("check", path)
    assert code == 2
    assert "gravity" in err
    assert "--explain-upgrade" in err
    code, out, _ = run("check", path, "--explain-upgrade", "--json")
    assert code == 2
    (changed,) = json.loads(out)["refused_now"]
    assert changed["where"] == "pumps.sample.line.inlet_mm"
    assert "[pumps.sample.valve]" in changed["ways_out"]
    code, out, _ = run("check", path, "--explain-upgrade")
    assert code == 2
    assert "[pumps.sample.valve]" in " ".join(out.split())


@pytest.fixture
def bench(tmp_path):
    path = tmp_path / "bench.toml"
    path.write_text(shipped_config("bench-simulated.toml").read_text())
    return path


def test_the_daemon_runs_the_bench_and_ends_in_order(tmp_path, bench):
    service = Service(bench, 400)
    service.until(lambda: service.logged("determination.finished"))

    assert service.stop() == 0
    assert service.out.read_text() == ""
    assert service.logged("determination.finished")[0]["determination"] == 1
    code, out, _ = run("results", "--bench", bench, "--json")
    assert code == 0
    assert json.loads(out)["determinations"][0]["alkalinity"]["reasons"] == ["first-result"]
    code, out, _ = run("show", "1", "--bench", tmp_path / "bench.toml")
    assert code == 0
    for part in ("dKH", "Where the uncertainty of determination", "titre factor", "acid added"):
        assert part in out


def test_a_daemon_stopped_in_a_run_keeps_it_as_void(tmp_path, bench):
    service = Service(bench, 60)
    service.until(lambda: "fill" in stages(tmp_path))

    assert service.stop() == 0
    code, out, _ = run("results", "--bench", bench, "--json")
    assert code == 0
    assert json.loads(out)["determinations"][0]["alkalinity"]["reasons"] == ["stopped-by-operator"]


def ledgers(folder):
    """Return (stage, reason) of every ledger kept so far, oldest first."""
    records = folder / "saltern.sqlite"
    made = records.exists() and rows(records, "SELECT name FROM sqlite_master WHERE name = 'ledger'")
    return rows(records, "SELECT stage, reason FROM ledger ORDER BY id") if made else []


def stages(folder):
    return [stage for stage, _ in ledgers(folder)]


def test_a_daemon_killed_in_a_stage_starts_by_emptying(tmp_path, bench):
    service = Service(bench, 60)
    service.freeze(lambda: stages(tmp_path)[-1:] == ["fill"])
    service.kill()
    assert rows(tmp_path / "saltern.sqlite", "PRAGMA integrity_check") == [("ok",)]
    before = len(ledgers(tmp_path))

    service = Service(bench, 100)
    service.until(lambda: len(ledgers(tmp_path)) > before)
    assert service.stop() == 0

    assert service.logged("service.started")[0]["found"].startswith("an unclean stop during fill")
    assert ledgers(tmp_path)[before] == ("drain", "drain")


def test_an_operators_drain_ends_in_order_when_asked(tmp_path, bench):
    process = begin(*SALTERN, "empty", bench, stderr=PIPE, stdout=PIPE, text=True)
    until(lambda: stages(tmp_path)[-1:] == ["drain"], process)
    process.send_signal(signal.SIGTERM)
    _, err = process.communicate()

    assert process.returncode == 1
    assert "a stop was asked for" in err
    assert "Traceback" not in err
    assert ledgers(tmp_path)[-1] == (None, "drain ended")


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (("results",), 2),
        (("results", "--db", "/nowhere/records.sqlite"), 1),
        (("show", "1", "--db", "/nowhere/records.sqlite"), 1),
        (("check", "/nowhere/bench.toml"), 2),
        (("simulate", "/nowhere/scenario.toml"), 2),
        (("daemon", "/nowhere/bench.toml"), 2),
        (("no-such-command",), 2),
    ],
)
def test_what_cannot_be_done_is_said_with_its_exit_code(arguments, code):
    found, out, err = run(*arguments)

    assert found == code
    assert out == ""
    assert err
    assert "Traceback" not in err


def test_no_command_imports_scipy_or_the_twin_unasked():
    """A small computer pays seconds for what it does not use."""
    check = (
        "import sys, saltern.cli.main; "
        "bad = [m for m in sys.modules if m.split('.')[0] in ('scipy', 'matplotlib', 'lgpio', 'plotext')]; "
        "sys.exit(repr(bad) if bad else 0)"
    )
    result = processes.run(sys.executable, "-c", check)

    assert result.returncode == 0, result.stderr


def test_an_operator_empties_resets_and_changes_bottles_with_the_service_stopped(bench):
    for arguments in (("part", bench, "replaced", "titrant"), ("part", bench, "emptied", "waste"), ("reset", bench)):
        code, out, _ = run(*arguments)
        assert code == 0
        assert "Done" in out

    code, _, err = run("part", bench, "replaced", "tank")
    assert code == 2
    assert "there is no command" in err


def test_an_operator_is_refused_while_the_service_runs(tmp_path, bench):
    service = Service(bench, 10)
    service.until((tmp_path / "kelp-room.sock").exists)
    service.until(lambda: json.loads(run("status", "--bench", bench, "--json")[1])["running"] is not None)
    code, _, err = run("reset", bench)
    service.stop()

    assert code == 1
    assert "the bench is at work" in err
