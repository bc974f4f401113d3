"""Every guided procedure can be rehearsed: by a person at a terminal, by hands alone, and as a line of a scenario."""

import json
import os
import re
from pathlib import Path
from typing import get_args

import pytest

import saltern.cli.bring_up  # noqa: F401 - its command is among those that begin a guided procedure
from saltern.cli.guide import asked_of, is_guided
from saltern.cli.logs import quiet_logs
from saltern.cli.simulation import load_scenario, run
from saltern.errors import ConfigError, StartupError
from saltern.rpc.client import Client
from saltern.running import guided
from saltern_drivers.twin.hands import MISTAKES, HandsName
from saltern_drivers.twin.scenario import Scenario
from tests.processes import SALTERN, begin, until
from tests.processes import run as run_process
from tests.toml import to_toml
from tests.twin_bench import bench_table

PACE = 100

TYPED = {
    "calibrate-pump": ["calibrate", "pump", "sample", "--times", "2"],
    "calibrate-ph": ["calibrate", "ph", "--buffer", "phosphate", "--buffer", "borax"],
    "calibrate-conductivity": ["calibrate", "conductivity", "--standard", "35", "--together-min", "5"],
    "calibrate-temperature": ["calibrate", "temperature"],
    "standardise": ["standardise", "--alkalinity", "2200", "--u", "2"],
    "change-bottle": ["change-bottle", "--lot", "7", "--strength", "0.05"],
    "prime": ["prime", "titrant"],
    "spike": ["spike", "--added", "300"],
    "blank": ["blank", "--high", "3000", "--low", "1500"],
    "check-tris": ["check-tris"],
    "park": ["park"],
    "resume": ["resume"],
    "bring-up": ["bring-up", "water"],
}


def played(*acts, days=1.0, **more):
    """Return what becomes of operators who begin guided procedures, one after the other."""
    quiet_logs()
    table = {"seed": 5, "days": days, "operator": list(acts), "schedule": {"every_h": 24.0}, **more}
    return run(Scenario.model_validate(table), Path())


def test_there_is_a_command_for_every_procedure_and_it_says_what_the_procedure_takes():
    assert set(TYPED) == set(guided.PROCEDURES)
    for name, words in TYPED.items():
        asked = asked_of(words)
        assert asked.procedure == name
        guided.options_of(name, asked.options)


def test_any_procedure_can_be_begun_by_its_name():
    asked = asked_of(["guide", "calibrate-pump", "pump=sample", "times=5", "new_tube=true", "--who", "mara"])
    assert (asked.procedure, asked.options, asked.who) == (
        "calibrate-pump", {"pump": "sample", "times": 5, "new_tube": True}, "mara",
    )  # fmt: skip
    assert asked_of(["guide", "standardise", "lot=bucket 3"]).options == {"lot": "bucket 3"}
    assert asked_of(["guide", "calibrate-conductivity", 'standards=["35", "28"]']).options == {
        "standards": ["35", "28"]
    }
    with pytest.raises(ConfigError, match="KEY=VALUE"):
        asked_of(["guide", "prime", "sample"])


def test_what_there_is_to_begin_is_listed_with_its_options():
    found = json.loads(run_process(*SALTERN, "guide", "--json").stdout)["procedures"]
    assert set(found) == set(guided.PROCEDURES)
    assert found["spike"]["properties"]["added_umol_kg"]["minimum"] == 50


@pytest.mark.parametrize(
    "words", ["calibrate ph --bufer x", "calibrate", "standardise --u 2", "calibrate pump oil", "blow"]
)
def test_a_scenario_whose_operator_says_what_there_is_not_is_refused_at_once(tmp_path, words):
    path = tmp_path / "scenario.toml"
    path.write_text(f"seed = 1\ndays = 1.0\n[[operator]]\nat_h = 1.0\ncommand = {json.dumps(words.split())}\n")

    with pytest.raises(StartupError):
        load_scenario(path)


def test_hands_that_nobody_has_are_refused(tmp_path):
    path = tmp_path / "scenario.toml"
    path.write_text('seed = 1\ndays = 1.0\n[[operator]]\nat_h = 1.0\ncommand = ["park"]\nhands = "three"\n')
    with pytest.raises(StartupError, match="wrong-buffer"):
        load_scenario(path)
    assert set(get_args(HandsName)) == set(MISTAKES)
    assert not is_guided(["reset"])


def test_an_operator_of_a_scenario_calibrates_with_hands_that_do_it_right():
    found = played(
        {"at_h": 1.0, "command": TYPED["calibrate-ph"]},
        {"at_h": 2.0, "command": TYPED["calibrate-temperature"], "answers": {"thermometer": [24.31]}},
        {"at_h": 3.0, "command": ["calibrate", "pump", "sample", "--by", "volume", "--times", "2"]},
        days=0.2,
    )["procedures"]

    assert [(one["procedure"], one["outcome"]) for one in found] == [
        (name, "done") for name in ("calibrate-ph", "calibrate-temperature", "calibrate-pump")
    ]
    assert found[1]["result"]["readings"][0]["thermometer_c"] == 24.31
    assert found[0]["asked"] == ["probes-in phosphate", "probes-in borax", "probes-back"]


CAUSES = {
    ("calibrate", "ph"): {
        "wrong-buffer": "wrong-buffer",
        "buffers-swapped": "buffers-swapped",
        "one-buffer-twice": "buffers-swapped",
    },
    ("calibrate", "conductivity", "--together-min", "1"): {
        "wrong-standard": "wrong-standard",
        "bubble-at-the-cell": "bubble-at-the-cell",
        "cold-beaker": "not-at-temperature",
    },
    ("calibrate", "conductivity", "--standard", "35", "--standard", "28"): {"standards-swapped": "standards-swapped"},
    ("calibrate", "temperature"): {"wrong-thermometer": "differs-from-the-last"},
    ("check-tris",): {"tris-buffer-off": "offset-out-of-bounds"},
    ("calibrate", "pump", "sample"): {"line-in-the-vessel": "air-in-the-line", "line-in-the-beaker": None},
}


@pytest.mark.parametrize("every", [False, pytest.param(True, marks=pytest.mark.soak)])
def test_the_mistakes_of_hands_are_refused_by_the_name_of_their_cause(every):
    acts, causes = [], []
    for words, mistakes in CAUSES.items():
        for hands, cause in list(mistakes.items())[: None if every else 1]:
            acts.append({"at_h": 1.0 + len(acts), "command": list(words), "hands": hands})
            causes.append(cause)
    found = played(*acts, days=(len(acts) + 2) / 24.0)

    assert [one["cause"] for one in found["procedures"]] == causes
    outcomes = ["failed" if cause is None else "refused" for cause in causes]
    assert [one["outcome"] for one in found["procedures"]] == outcomes
    assert found["truth"]["spilled_ml"] == 0.0
    assert found["ledger_bound_held"]


def test_after_a_procedure_that_broke_off_the_bench_measures_again_when_all_is_said_to_be_back():
    found = played(
        {"at_h": 1.0, "command": ["calibrate", "ph"], "hands": "wrong-buffer"},
        {"at_h": 7.0, "command": ["hold", "0"]},
        days=0.34,
        schedule={"every_h": 3.0},
    )

    assert found["procedures"][0]["outcome"] == "refused"
    started = [one["started_h"] for one in found["determinations"]]
    assert [at for at in started if 1.1 < at < 7.0] == []
    after = [one["alkalinity"]["verdict"] for one in found["determinations"] if one["started_h"] >= 7.0]
    assert after
    assert set(after) == {"accepted"}


# At a terminal -----------------------------------------------------------------------------


@pytest.fixture
def practising(tmp_path):
    """Start `saltern practice` on a bench that would measure at once."""
    path = tmp_path / "bench.toml"
    table = bench_table()
    path.write_text(to_toml(table))
    out = tmp_path / "practice.out"
    socket = tmp_path / f"{table['name']}.sock"

    def start(*words):
        with out.open("w") as said, (tmp_path / "log").open("w") as log:
            process = begin(
                *SALTERN, "practice", path, "--pace", PACE, *words,
                stdout=said, stderr=log, env={**os.environ, "PYTHONUNBUFFERED": "1"},
            )  # fmt: skip
        until(lambda: "another terminal" in out.read_text(), process)
        return process, socket, out

    return start


def followed(socket, answer=None):
    """Begin a calibration of the thermometer, and see it to its end."""
    with Client(socket) as watching, Client(socket) as asking:
        watching.call("follow")
        asking.call("guide", procedure="calibrate-temperature", options={}, answers={}, who="mara")
        for kind, what in watching.notifications():
            if kind == "question" and answer is not None:
                asking.call("answer", key=what["key"], text=answer(what))
            if kind == "ended":
                return what
    return None


@pytest.mark.soak
def test_hands_alone_rehearse_a_calibration(practising):
    process, socket, out = practising("--alone")
    ended = followed(socket)

    assert "error" not in ended
    assert ended["result"]["kind"] == "temperature"
    until(lambda: "It is done." in out.read_text(), process)
    assert "Hands: it shows" in out.read_text()
    process.terminate()
    assert process.wait() == 0


def test_a_person_answers_with_what_the_hands_have_read(practising):
    process, socket, out = practising()

    def answer(question):
        if question["unit"] is None:
            return "done"
        shown = until(lambda: re.findall(r"it shows ([\d.]+) degC\n", out.read_text()), process)
        return shown[-1]

    ended = followed(socket, answer)

    assert "error" not in ended
    assert ended["result"]["readings"][0]["thermometer_c"] == pytest.approx(24.0, abs=1.0)
    process.terminate()
    assert process.wait() == 0


def test_a_built_bench_is_not_practised_on(tmp_path):
    path = tmp_path / "bench.toml"
    path.write_text(to_toml(bench_table(name="bench-header.toml")))
    done = run_process(*SALTERN, "practice", path)

    assert done.returncode == 2
    assert "its acid is real" in done.stderr


def test_a_mistake_that_no_hand_makes_is_answered_by_those_that_there_are():
    done = run_process(*SALTERN, "practice", "--hands", "three")

    assert done.returncode == 2
    assert all(name in done.stderr for name in MISTAKES)
