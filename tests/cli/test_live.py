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
import termios

import pytest

from tests.processes import SALTERN, Service, begin, run, until
from tests.toml import to_toml
from tests.twin_bench import bench_table

PACE, CALM, SLOW = 200, 100, 20
FIRST, LATER, LATEST = "06:10", "06:20", "06:30"


def scheduled(at):
    """Return a schedule that starts nothing, however long a test takes: it waits for a condition that nobody sets."""
    return {"at": [f"{at}:00"], "time_zone": "UTC", "conditions": ["tests-are-over"]}


@pytest.fixture
def bench(tmp_path):
    path = tmp_path / "bench.toml"
    changes = {"schedule": scheduled(FIRST), "parts": {"ph_probe": {"life_days": 365.0}}}
    path.write_text(to_toml(bench_table(changes)))
    return path


def started(bench, pace=PACE):
    service = Service(bench, pace)
    service.until((bench.parent / "kelp-room.sock").exists)
    return service


@pytest.fixture
def service(bench, request):
    service = started(bench, getattr(request, "param", PACE))
    yield service
    service.stop()


def at(pace):
    """Let the service of a test run at another pace."""
    return pytest.mark.parametrize("service", [pace], indirect=True)


def environment(bench, **more):
    return {**os.environ, "SALTERN_BENCH": str(bench), **more}


def saltern(bench, *words, code=0):
    done = run(*SALTERN, *words, env=environment(bench))
    assert done.returncode == code, done.stderr
    return done.stdout


@pytest.fixture
def watching(bench):
    """A command that goes on beside the test; what it says is read line by line."""
    begun = []

    def begin_one(*words):
        process = begin(
            *SALTERN,
            *words,
            env=environment(bench, PYTHONUNBUFFERED="1"),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        begun.append(process)
        return process

    yield begin_one
    for process in begun:
        process.kill()
        process.communicate()


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
    assert len([line for line in watched.splitlines() if " mV" in line]) >= 7
    assert "titrate (phase 8 of 11)" in watched  # the first: how long one takes is not known yet
    assert re.search(r"mV, so far about \d\.\d\d dKH$", watched, re.MULTILINE)
    assert after["last"]["alkalinity"]["verdict"] == "accepted"
    assert "dKH, accepted" in saltern(bench, "status")
    assert after["titrant"]["left_ml"][0] < before["titrant"]["left_ml"][0]


OVER_ALREADY = "nothing is under way"
DONE = re.compile(r"Determination \d+: ")
"""On a busy machine a determination may be over before Ctrl-C, or before one looks again: another is watched then."""


@at(CALM)
@pytest.mark.usefixtures("service")
def test_ctrl_c_stops_the_watching_and_not_the_measuring(bench, watching):
    def looked_at_again():
        watcher = watching("measure")
        assert "measure tank" in watcher.stdout.readline()
        watcher.send_signal(signal.SIGINT)
        shown, told = watcher.communicate()
        assert "It goes on" in told or DONE.search(shown)
        return run(*SALTERN, "measure", "--follow", "--json", env=environment(bench)) if "It goes on" in told else None

    while (found := looked_at_again()) is None or OVER_ALREADY in found.stderr:
        pass
    assert found.returncode == 0, found.stderr
    assert json.loads(found.stdout)["alkalinity"]["verdict"] == "accepted"


@at(SLOW)
def test_a_second_measure_is_refused_and_stop_leaves_the_service_running(bench, service, watching):
    watcher = watching("measure", "--source", "reference", "--json")
    until(lambda: json.loads(saltern(bench, "status", "--json"))["running"] is not None, watcher)
    saltern(bench, "measure", code=1)
    assert json.loads(saltern(bench, "stop", "--json"))["stopping"]["what"] == "measure reference"
    stopped = json.loads(watcher.communicate()[0])

    assert watcher.returncode == 1
    assert stopped["alkalinity"]["verdict"] == "void"
    assert stopped["alkalinity"]["reasons"] == ["stopped-by-operator"]
    assert stopped["source"] == "reference"
    assert json.loads(saltern(bench, "status", "--json"))["running"] is None
    assert service.stop() == 0
    faster = started(bench)
    assert json.loads(saltern(bench, "measure", "--json"))["alkalinity"]["verdict"] == "accepted"
    faster.stop()


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

    assert [slot["at_utc"][11:16] for slot in shown["next"]] == [FIRST] * 3
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
    assert "Nobody receives alerts" in told
    assert during["gap_h"] == pytest.approx(looked["away"]["gap_h"], rel=0.01)
    assert during["gap_h"] > 4.0
    assert json.loads(saltern(bench, "status", "--json"))["away"] is None


@pytest.mark.parametrize("by_signal", [False, True])
def test_a_changed_bench_file_is_taken_up_or_refused_whole(bench, service, by_signal):
    table = bench_table({"schedule": scheduled(LATER)})

    def at_utc():
        return json.loads(saltern(bench, "schedule", "--count", "1", "--json"))["next"][0]["at_utc"][11:16]

    def reload(code=0):
        answer = "command.refused" if code else "service.reloaded"
        told = len(service.logged(answer))
        if by_signal:
            service.signal(signal.SIGHUP)
            service.until(lambda: len(service.logged(answer)) > told)
        else:
            saltern(bench, "reload", code=code)

    bench.write_text(to_toml(table))
    reload()
    assert at_utc() == LATER
    bench.write_text(to_toml({**table, "schedule": scheduled(LATEST), "wires": "gpio"}))
    reload(code=2)
    assert at_utc() == LATER
    bench.write_text("nonsense = [")
    reload(code=2)
    bench.write_text(to_toml(table))
    assert at_utc() == LATER


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
        self.process = begin(
            *SALTERN,
            *words,
            env=environment(bench, TERM="xterm"),
            stdin=other,
            stdout=other,
            stderr=other,
            start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),
        )
        os.close(other)
        self.shown = ""

    def until(self, what):
        """Read until this is shown, or the command has ended."""
        while not re.search(what, self.shown):
            ended = self.process.poll() is not None
            assert self._read() or not ended, self.shown[-2000:]

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


@at(CALM)
@pytest.mark.usefixtures("service")
def test_on_a_terminal_the_curve_grows_ctrl_c_leaves_it_running_and_one_can_look_again(bench):
    def looked_at_again():
        first = Terminal(bench, "measure")
        first.until("titrant, mL")  # the plot is there before the run is over
        first.type(b"\x03")
        first.until(f"It goes on|{DONE.pattern}")
        assert first.end() == 0
        assert "\x1b[?25h" in first.shown  # the cursor is given back
        if DONE.search(first.shown):
            return 0, OVER_ALREADY
        again = Terminal(bench, "measure", "--follow")
        return again.end(), again.shown

    while OVER_ALREADY in (found := looked_at_again())[1]:
        pass
    code, shown = found
    assert code == 0
    assert re.search(f"{DONE.pattern}.*accepted", shown)


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
def test_a_question_waits_for_another_terminal_and_a_wrong_answer_is_asked_for_again(bench, watching):
    first = watching("calibrate", "temperature")
    assert "thermometer side by side" in first.stdout.readline()
    first.send_signal(signal.SIGINT)
    assert "It goes on" in first.stderr.read()  # its input stays open until it has ended
    assert json.loads(saltern(bench, "status", "--json"))["question"]["key"] == "thermometer-beside"

    second = run(*SALTERN, "rejoin", text="\nwarm\n24.2\n\n", env=environment(bench))
    assert second.returncode == 0, second.stderr
    assert "'warm' is not a number of degC" in second.stdout
    assert "calibration 1 is in force" in second.stdout


@pytest.mark.usefixtures("service")
def test_a_refused_calibration_says_its_cause_and_stop_ends_one_that_waits(bench, watching):
    refused = ["calibrate", "temperature", "--yes", "--answer", "thermometer=40"]
    saltern(bench, *refused, code=1)
    (kept,) = json.loads(saltern(bench, "calibrations", "list", "--json"))["calibrations"]
    assert kept["outcome"] == "refused"
    assert "differs-from-the-last" in kept["words"]
    saltern(bench, "calibrate", "pump", "sidewinder", code=2)

    waiting = watching("calibrate", "temperature")
    assert "side by side" in waiting.stdout.readline()
    saltern(bench, "stop")
    until(lambda: json.loads(saltern(bench, "status", "--json"))["running"] is None)
    waiting.communicate()
    saltern(bench, "measure", code=3)  # the probe may still stand in a beaker
    saltern(bench, "hold", str(bench), "0")
    assert json.loads(saltern(bench, "measure", "--json"))["alkalinity"]["verdict"] == "accepted"


@pytest.mark.usefixtures("service")
def test_a_determination_is_evaluated_again_under_another_calibration(bench):
    saltern(bench, "measure", "--json")
    saltern(bench, "calibrate", "temperature", "--yes", "--answer", "thermometer=24.2", "--json")
    shown = saltern(bench, "show", "1", "--budget")
    again = json.loads(saltern(bench, "show", "1", "--under", "1", "--json"))
    gran = json.loads(saltern(bench, "show", "1", "--method", "gran", "--json"))

    said = " ".join(saltern(bench, "show", "1", "--method", "gran").split())

    assert "To improve first" in shown
    assert re.search(r"not changed: \d+\.\d\d ± \d\.\d\d dKH \(it says \d+\.\d\d ± \d\.\d\d\)", said)
    assert again["umol_per_kg"] == pytest.approx(again["was_umol_per_kg"], abs=1e-6)
    assert (gran["method"], gran["umol_per_kg"] == gran["was_umol_per_kg"]) == ("gran", False)
