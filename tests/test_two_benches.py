"""Two services on one machine, in real processes, on one chip: what happens to one must not touch the other."""

import json
import os
import signal
import subprocess

import pytest

from tests.units import SALTERN, Computer, wait

FAR_OFF = {"schedule": {"at": ["23:59:00"], "time_zone": "UTC"}}


@pytest.fixture
def computer():
    made = Computer()
    yield made
    made.off()


@pytest.fixture
def two(computer):
    """Return the units of two benches that run, and the outputs of each."""
    lines = [computer.install("bench", 0), computer.install("reef", 1)]
    return [computer.unit(name).start() for name in ("bench", "reef")], lines


def lives(computer, unit):
    """Return whether the unit's service answers, and scans."""
    done = computer.saltern("status", "--bench", unit.bench, "--json")
    return unit.process.poll() is None and done.returncode == 0 and bool(json.loads(done.stdout)["bench"])


@pytest.mark.parametrize(("which", "number"), [(0, signal.SIGTERM), (1, signal.SIGKILL)])
def test_one_that_is_stopped_or_killed_has_its_own_outputs_taken_low_and_the_other_runs_on(
    computer, two, which, number
):
    units, lines = two
    ended, other, its_lines, others_lines = units[which], units[1 - which], lines[which], lines[1 - which]
    wait(lambda: "1" in {computer.levels().get(line) for line in its_lines + others_lines})
    low, report = ended.end(number)

    assert low.returncode == 0, low.stderr
    assert low.stdout == "7 outputs are low.\n"
    assert report.returncode == 0, report.stderr
    assert {computer.levels()[line] for line in its_lines} == {"0"}
    assert lives(computer, other)
    assert (other.runtime / "outputs.json").exists()
    assert ended.start().process.poll() is None


def test_a_killed_one_leaves_a_pump_driven_until_its_outputs_are_taken_low(computer):
    (sample, *_) = lines = computer.install("bench")
    unit = computer.unit("bench").start()
    wait(lambda: computer.levels().get(lines[2]) == "1" or computer.levels().get(sample) == "1")
    unit.process.kill()
    unit.process.wait()
    driven = {line for line, level in computer.levels().items() if level == "1"}
    low, _ = unit.after()

    assert driven & set(lines)
    assert low.returncode == 0
    assert "1" not in computer.levels().values()


def test_a_service_whose_unit_was_copied_from_an_earlier_version_kills_no_other(computer):
    """Such units share /run/saltern: the list there is that of whoever started last."""
    shared = computer.root / "run/saltern"
    lines = [computer.install("bench", 0), computer.install("reef", 1)]
    first, second = (computer.unit(name, runtime=shared).start() for name in ("bench", "reef"))
    first.process.terminate()
    first.process.wait()
    done = computer.saltern("safe-off", RUNTIME_DIRECTORY=str(shared))

    assert done.returncode == 1
    assert "alive and scans" in done.stderr
    assert lives(computer, second)
    assert {computer.levels()[line] for line in lines[0]} == {"0"}


def test_by_hand_every_list_is_found_with_nothing_running_and_after_the_runtime_folders_are_gone(computer, two):
    units, lines = two
    for unit in units:
        unit.process.kill()
        unit.process.wait()
    for unit in units[:1]:  # as after a start of the computer
        for file in unit.runtime.iterdir():
            file.unlink()
    for line in lines[0] + lines[1]:
        (computer.chip / str(line)).write_text("1")
    done = computer.saltern("safe-off")

    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines() == ["bench: 7 outputs are low.", "reef: 7 outputs are low."]
    assert set(computer.levels().values()) == {"0"}


def test_by_hand_a_service_that_is_alive_is_left_alone_and_killed_only_by_force(computer, two):
    (bench, reef), _ = two
    reef.process.kill()
    reef.process.wait()
    careful = computer.saltern("safe-off")
    assert careful.returncode == 1
    assert careful.stdout == "reef: 7 outputs are low.\n"
    assert "bench: safe-off: the service is alive and scans" in careful.stderr
    assert lives(computer, bench)

    forced = computer.saltern("safe-off", "--force")
    assert forced.returncode == 0, forced.stderr
    assert "bench: 7 outputs are low. The service that held them was killed." in forced.stdout
    assert bench.process.wait(10) == -signal.SIGKILL
    assert "1" not in computer.levels().values()


def test_by_hand_a_service_that_hangs_is_killed_and_the_other_left_alone(computer, two):
    (hung, other), lines = two
    os.kill(hung.process.pid, signal.SIGSTOP)
    done = computer.saltern("safe-off")

    assert "bench: 7 outputs are low. The service that held them was killed." in done.stdout
    assert hung.process.wait(10) == -signal.SIGKILL
    assert {computer.levels()[line] for line in lines[0]} == {"0"}
    assert lives(computer, other)


def test_without_any_list_it_says_what_to_do(computer):
    done = computer.saltern("safe-off")
    assert done.returncode == 1
    assert "give the path of a list" in done.stderr
    assert computer.saltern("safe-off", "--instance", "../bench").returncode == 2


def test_a_list_that_is_damaged_keeps_up_no_other_bench_and_its_copy_counts(computer, two):
    units, _ = two
    for unit in units:
        unit.process.kill()
        unit.process.wait()
    (units[0].runtime / "outputs.json").write_text("{")
    assert computer.saltern("safe-off").returncode == 0
    (units[0].state / "outputs.json").write_text("{")
    done = computer.saltern("safe-off")

    assert done.returncode == 1
    assert done.stdout == "reef: 7 outputs are low.\n"
    assert "is not a list of outputs" in done.stderr


def test_an_installed_bench_keeps_its_things_by_its_instance_and_commands_mean_it(computer):
    computer.install("bench", 0, FAR_OFF)
    unit = computer.unit("bench").start()
    assert (computer.root / "var/lib/saltern/bench/saltern.sqlite").is_file()
    assert (computer.root / "run/saltern/bench/saltern.sock").is_socket()

    for words in (("status",), ("schedule",), ("results",), ("check",), ("hold", "0"), ("empty",)):
        done = computer.saltern(*words)
        assert done.returncode == 0, (words, done.stderr)
    assert "bench-room" in computer.saltern("check").stdout
    other = computer.root / "other.toml"
    other.write_text(unit.bench.read_text().replace("bench-room", "other-room"))
    assert "other-room" in computer.saltern("check", SALTERN_BENCH=str(other)).stdout
    assert "other-room" in computer.saltern("check", "--bench", other).stdout
    assert "bench-room" in computer.saltern("check", unit.bench, SALTERN_BENCH=str(other)).stdout
    assert computer.saltern("status", "--bench", other).returncode == 4


def test_records_and_socket_where_an_older_bench_file_says_stay_there(computer):
    records, socket = computer.root / "var/lib/saltern/saltern.sqlite", computer.root / "run/saltern/bench.sock"
    computer.install("bench", 0, {**FAR_OFF, "records": {"path": str(records)}, "service": {"socket": str(socket)}})
    computer.unit("bench").start()

    assert records.is_file()
    assert socket.is_socket()
    assert computer.saltern("status").returncode == 0


def test_a_second_service_of_the_same_bench_is_refused_and_harms_nothing(computer):
    lines = computer.install("bench", 0, FAR_OFF)
    unit = computer.unit("bench").start()
    command = [*SALTERN, "daemon", str(unit.bench)]
    second = subprocess.run(command, env={**unit.environment, "NOTIFY_SOCKET": ""}, capture_output=True, check=False)
    assert second.returncode != 0
    done = computer.saltern("safe-off", "--instance", "bench", SERVICE_RESULT="exit-code")

    assert "alive and scans" in done.stderr
    assert lives(computer, unit)
    assert set(lines) <= set(computer.levels())
