"""A running service asked over its socket: real processes, on the paced clock."""

import fcntl
import json
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from datetime import UTC, datetime, timedelta

import pytest

from tests.toml import to_toml
from tests.twin_bench import bench_table

PACE = "200"
FAR_OFF, LATER, LATEST = (f"{datetime.now(UTC) + timedelta(hours=hours):%H:%M}" for hours in (12, 13, 14))
"""Scheduled starts: half a day from now, and more, so that none comes while a test runs, at whatever hour that is."""


@pytest.fixture
def bench(tmp_path):
    path = tmp_path / "bench.toml"
    path.write_text(
        to_toml(
            bench_table(
                {"schedule": {"at": [f"{FAR_OFF}:00"], "time_zone": "UTC"}, "parts": {"ph_probe": {"life_days": 365.0}}}
            )
        )
    )
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

    assert [slot["at_utc"][11:16] for slot in shown["next"]] == [FAR_OFF] * 3
    assert json.loads(saltern(bench, "status", "--json"))["conditions"] == {"lights-on": True}
    assert "Done: reset" in saltern(bench, "reset", str(bench))


@pytest.mark.usefixtures("service")
def test_a_keeper_goes_away_and_comes_back(bench):
    looked = json.loads(saltern(bench, "away", "60", "--look", "--json"))
    before = json.loads(saltern(bench, "status", "--json"))["away"]
    told = saltern(bench, "away", "60")
    during = json.loads(saltern(bench, "status", "--json"))["away"]
    saltern(bench, "away", "0")

    assert looked["by_waste"] < looked["wanted"]
    assert before is None
    assert "Nobody is told of trouble" in told
    assert during["gap_h"] == pytest.approx(looked["away"]["gap_h"], rel=0.01)
    assert during["gap_h"] > 4.0
    assert json.loads(saltern(bench, "status", "--json"))["away"] is None


@pytest.mark.parametrize("by_signal", [False, True])
def test_a_changed_bench_file_is_taken_up_or_refused_whole(bench, service, by_signal):
    table = bench_table({"schedule": {"at": [f"{LATER}:00"], "time_zone": "UTC"}})

    def reload(code=0):
        if by_signal:
            service.send_signal(signal.SIGHUP)
            time.sleep(0.5)
        else:
            saltern(bench, "reload", code=code)
        return json.loads(saltern(bench, "schedule", "--count", "1", "--json"))["next"][0]["at_utc"][11:16]

    bench.write_text(to_toml(table))
    assert reload() == LATER
    bench.write_text(to_toml({**table, "schedule": {"at": [f"{LATEST}:00"]}, "wires": "gpio"}))
    assert reload(code=2) == LATER
    bench.write_text("nonsense = [")
    if by_signal:
        service.send_signal(signal.SIGHUP)
        time.sleep(0.5)
        assert service.poll() is None


@pytest.mark.usefixtures("service")
def test_parts_of_the_bench_file_are_tracked_from_the_day_they_are_put_in(bench):
    assert "of unknown age" in saltern(bench, "status")
    saltern(bench, "part", str(bench), "installed", "ph_probe")
    saltern(bench, "part", str(bench), "installed", "periscope", code=2)
    (part,) = [p for p in json.loads(saltern(bench, "status", "--json"))["parts"] if p["name"] == "ph_probe"]

    assert part["overdue"] is False


def test_the_schema_of_the_socket_is_printed_and_names_every_method(bench):
    from saltern.rpc.protocol import METHODS

    assert set(json.loads(saltern(bench, "check", "--rpc-schema"))["methods"]) == set(METHODS)


class Terminal:
    """A pseudo-terminal, as SSH gives one, with a command in it."""

    def __init__(self, bench, *words):
        self._fd, other = pty.openpty()
        fcntl.ioctl(other, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 100, 0, 0))
        self.process = subprocess.Popen(
            [sys.executable, "-m", "saltern.cli.main", *words],
            env={**os.environ, "SALTERN_BENCH": str(bench), "TERM": "xterm"},
            stdin=other,
            stdout=other,
            stderr=other,
            start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),
        )
        os.close(other)
        self.shown = ""

    def until(self, what, within_s=60.0):
        deadline = time.monotonic() + within_s
        while not re.search(what, self.shown):
            assert time.monotonic() < deadline, self.shown[-2000:]
            self._read()

    def type(self, keys):
        os.write(self._fd, keys)

    def end(self):
        while self.process.poll() is None:
            self._read()
        while self._read():
            pass
        os.close(self._fd)
        return self.process.returncode

    def _read(self):
        if not select.select([self._fd], [], [], 0.1)[0]:
            return False
        try:
            data = os.read(self._fd, 65536).decode(errors="replace")
        except OSError:
            return False
        self.shown += data
        return bool(data)


@pytest.mark.usefixtures("service")
def test_on_a_terminal_the_curve_grows_ctrl_c_leaves_it_running_and_one_can_look_again(bench):
    first = Terminal(bench, "measure")
    first.until("titrant, mL")  # the plot is there before the run is over
    first.type(b"\x03")
    first.until("It goes on")
    code = first.end()
    assert json.loads(saltern(bench, "status", "--json"))["running"] is not None
    again = Terminal(bench, "measure", "--follow")
    again.until(r"Determination 1: .*accepted")

    assert code == 0
    assert again.end() == 0
    assert "\x1b[?25h" in first.shown  # the cursor is given back


@pytest.mark.usefixtures("service")
def test_what_is_no_determination_is_not_followed_as_one(bench):
    guided = Terminal(bench, "calibrate", "temperature")
    guided.until(r"when done")
    saltern(bench, "measure", "--follow", code=2)
    saltern(bench, "stop")

    assert guided.end() == 1


@pytest.mark.usefixtures("service")
def test_a_probe_is_calibrated_from_a_script_and_the_record_listed_compared_and_taken_back(bench, tmp_path):
    for thermometer in ("24.1", "24.4"):
        done = saltern(
            bench,
            "calibrate",
            "temperature",
            "--yes",
            "--answer",
            f"thermometer={thermometer}",
            "--who",
            "ada",
            "--json",
        )
        found = json.loads(done)
        assert found["procedure"] == "calibrate-temperature"
        assert found["words"].startswith("offset")
    listed = json.loads(saltern(bench, "calibrations", "list", "--json"))["calibrations"]
    assert [(one["id"], one["in_force"], one["by"]) for one in listed] == [(2, True, "ada"), (1, False, "ada")]
    assert "probes.temperature.offset_k" in saltern(bench, "calibrations", "show", "1", "--against", "2")
    saltern(bench, "calibrations", "roll-back", "temperature", "1")
    status = json.loads(saltern(bench, "status", "--json"))
    assert [(one["kind"], one["id"]) for one in status["calibrations"]] == [("temperature", 1)]
    saltern(bench, "calibrations", "export", str(tmp_path / "all.json"))
    assert len(json.loads((tmp_path / "all.json").read_text())["calibrations"]) == 2
    saltern(bench, "calibrations", "roll-back", "temperature", "bench-file")
    assert json.loads(saltern(bench, "status", "--json"))["calibrations"] == []


@pytest.mark.usefixtures("service")
def test_a_question_waits_for_another_terminal_and_a_wrong_answer_is_asked_for_again(bench):
    env = {**os.environ, "SALTERN_BENCH": str(bench)}
    first = subprocess.Popen(
        [sys.executable, "-u", "-m", "saltern.cli.main", "calibrate", "temperature"],
        env=env,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert "thermometer side by side" in first.stdout.readline()
    first.send_signal(signal.SIGINT)
    assert "It goes on" in first.communicate(timeout=20)[1]
    assert json.loads(saltern(bench, "status", "--json"))["question"]["key"] == "thermometer-beside"

    second = subprocess.run(
        [sys.executable, "-m", "saltern.cli.main", "guided"],
        env=env,
        input="\nwarm\n24.2\n\n",
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert second.returncode == 0, second.stderr
    assert "'warm' is not a number of degC" in second.stdout
    assert "calibration 1 is in force" in second.stdout


@pytest.mark.usefixtures("service")
def test_a_refused_calibration_says_its_cause_and_stop_ends_one_that_waits(bench):
    refused = ["calibrate", "temperature", "--yes", "--answer", "thermometer=40"]
    saltern(bench, *refused, code=1)
    (kept,) = json.loads(saltern(bench, "calibrations", "list", "--json"))["calibrations"]
    assert kept["outcome"] == "refused"
    assert "differs-from-the-last" in kept["words"]
    saltern(bench, "calibrate", "pump", "sidewinder", code=2)

    waiting = subprocess.Popen(
        [sys.executable, "-u", "-m", "saltern.cli.main", "calibrate", "temperature"],
        env={**os.environ, "SALTERN_BENCH": str(bench)},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert "side by side" in waiting.stdout.readline()
    saltern(bench, "stop")
    while json.loads(saltern(bench, "status", "--json"))["running"] is not None:
        time.sleep(0.05)
    waiting.stdin.close()
    waiting.wait(timeout=20)
    for stream in (waiting.stdout, waiting.stderr):
        stream.close()
    saltern(bench, "measure", code=2)  # the probe may still stand in a beaker
    saltern(bench, "hold", str(bench), "0")
    assert json.loads(saltern(bench, "measure", "--json"))["alkalinity"]["verdict"] == "accepted"


@pytest.mark.usefixtures("service")
def test_a_determination_is_evaluated_again_under_another_calibration(bench):
    saltern(bench, "measure", "--json")
    saltern(bench, "calibrate", "temperature", "--yes", "--answer", "thermometer=24.2", "--json")
    shown = saltern(bench, "show", "1", "--budget")
    again = json.loads(saltern(bench, "show", "1", "--under", "1", "--json"))
    gran = json.loads(saltern(bench, "show", "1", "--method", "gran", "--json"))

    assert "To improve first" in shown
    assert again["umol_per_kg"] == pytest.approx(again["was_umol_per_kg"], abs=1e-6)
    assert (gran["method"], gran["umol_per_kg"] == gran["was_umol_per_kg"]) == ("gran", False)
