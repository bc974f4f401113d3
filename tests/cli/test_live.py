"""A running service asked over its socket: real processes, on the paced clock."""

import json
import os
import signal
import subprocess
import sys
import time

import pytest

from tests.toml import to_toml
from tests.twin_bench import bench_table

PACE = "200"


@pytest.fixture
def bench(tmp_path):
    path = tmp_path / "bench.toml"
    path.write_text(to_toml(bench_table({"schedule": {"at": ["23:59:00"], "time_zone": "UTC"}})))
    return path


@pytest.fixture
def service(bench):
    process = subprocess.Popen(
        [sys.executable, "-m", "saltern.cli.main", "daemon", str(bench), "--pace", PACE],
        stderr=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    socket = bench.parent / "kelp-room.sock"
    for _ in range(200):
        if socket.exists() or process.poll() is not None:
            break
        time.sleep(0.05)
    yield process
    if process.poll() is None:
        process.send_signal(signal.SIGTERM)
    process.communicate(timeout=30)


def saltern(bench, *words, code=0):
    done = subprocess.run(
        [sys.executable, "-m", "saltern.cli.main", *words],
        env={**os.environ, "SALTERN_BENCH": str(bench)},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == code, done.stderr
    return done.stdout


def test_without_a_service_every_command_says_so_with_its_own_code(bench):
    for words in (["status"], ["measure"], ["stop"], ["schedule"], ["log", "remark", "hello"]):
        saltern(bench, *words, code=4)


@pytest.mark.usefixtures("service")
def test_a_keeper_measures_watches_and_reads_the_status(bench):
    before = json.loads(saltern(bench, "status", "--json"))
    watched = saltern(bench, "measure")
    after = json.loads(saltern(bench, "status", "--json"))

    assert before["last"] is None
    assert before["running"] is None
    assert "titrate" in watched
    assert "accepted" in watched
    assert len([line for line in watched.splitlines() if line.endswith("mV")]) >= 7
    assert after["last"]["alkalinity"]["verdict"] == "accepted"
    assert "dKH, accepted" in saltern(bench, "status")
    assert after["titrant"]["left_ml"][0] < before["titrant"]["left_ml"][0]


@pytest.mark.usefixtures("service")
def test_ctrl_c_stops_the_watching_and_not_the_measuring(bench):
    watcher = subprocess.Popen(
        [sys.executable, "-u", "-m", "saltern.cli.main", "measure"],
        env={**os.environ, "SALTERN_BENCH": str(bench)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert "measure tank" in watcher.stdout.readline()
    watcher.send_signal(signal.SIGINT)
    _, told = watcher.communicate(timeout=20)
    assert "It goes on" in told

    done = json.loads(saltern(bench, "measure", "--follow", "--json"))
    assert done["alkalinity"]["verdict"] == "accepted"


@pytest.mark.usefixtures("service")
def test_a_second_measure_is_refused_and_stop_leaves_the_service_running(bench):
    watcher = subprocess.Popen(
        [sys.executable, "-u", "-m", "saltern.cli.main", "measure", "--source", "reference", "--json"],
        env={**os.environ, "SALTERN_BENCH": str(bench)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    while json.loads(saltern(bench, "status", "--json"))["running"] is None:
        time.sleep(0.05)
    saltern(bench, "measure", code=1)
    saltern(bench, "stop")
    stopped = json.loads(watcher.communicate(timeout=30)[0])

    assert watcher.returncode == 1
    assert stopped["alkalinity"]["verdict"] == "void"
    assert stopped["alkalinity"]["reasons"] == ["stopped-by-operator"]
    assert stopped["source"] == "reference"
    assert json.loads(saltern(bench, "measure", "--json"))["alkalinity"]["verdict"] == "accepted"


@pytest.mark.usefixtures("service")
def test_an_operator_rinses_and_is_not_believed_when_the_bench_sees_otherwise(bench):
    assert "Done: rinse" in saltern(bench, "rinse", str(bench))
    saltern(bench, "part", str(bench), "emptied", "vessel", code=2)  # the probes wait in fresh sample
    assert "Done: empty" in saltern(bench, "empty", str(bench))
    assert "Done: part emptied vessel" in saltern(bench, "part", str(bench), "emptied", "vessel")
    assert json.loads(saltern(bench, "status", "--json"))["last"] is None


@pytest.mark.usefixtures("service")
def test_what_the_keeper_writes_down_and_says_reaches_the_schedule(bench):
    saltern(bench, "log", "dose", "soda solution", "12.5")
    saltern(bench, "log", "water-change", "40", "--alkalinity-dkh", "8.1")
    saltern(bench, "log", "remark", "new lamp")
    saltern(bench, "log", "dose", "soda solution", "0", code=1)
    saltern(bench, "condition", "lights-on", "yes")
    shown = json.loads(saltern(bench, "schedule", "--count", "3", "--json"))

    assert [slot["at_utc"][11:16] for slot in shown["next"]] == ["23:59"] * 3
    assert json.loads(saltern(bench, "status", "--json"))["conditions"] == {"lights-on": True}
    assert "Done: reset" in saltern(bench, "reset", str(bench))
