"""The limits and checks that every test and commit is under, tried on tests and commits that break them."""

import re
import sys
import time
from pathlib import Path

import pytest
from hypothesis import given, settings, strategies

from saltern import __version__
from tests import processes
from tests.processes import run

ROOT = Path(__file__).parents[1]

CONFTEST = """
import tests.leaks
pytest_plugins = ["tests.time_limits", "tests.leaks"]
tests.leaks.ENDS_WITHIN_S = 0.5
"""
BROKEN = """
import os, socket, threading, time
import pytest
from hypothesis import given, strategies

def endless():
    while True:
        pass

def test_computes_without_end():
    endless()

def test_computes_in_another_thread_and_waits_for_it():
    over = []
    def work():
        while not over:
            pass
    thread = threading.Thread(target=work)
    thread.start()
    try:
        thread.join()
    finally:
        over.append(True)
        thread.join()

@given(strategies.integers())
def test_a_property_without_end(number):
    try:
        endless()
    except Exception:
        pass

def test_sleeps_for_good():
    threading.Event().wait()

@pytest.fixture
def cleaned():
    yield
    print("cleaned up")

def test_cleans_up_though_it_is_ended(cleaned):
    endless()

def test_leaves_a_thread():
    threading.Thread(target=time.sleep, args=(60.0,), name="left-over", daemon=True).start()

def test_leaves_a_file(tmp_path):
    os.open(tmp_path / "left-open", os.O_CREAT)

def test_leaves_a_process():
    from tests.processes import begin
    begin("sleep", "1000")

def test_sound():
    pass
"""


@pytest.fixture(scope="module")
def broken(tmp_path_factory):
    """What pytest says of these tests, in a process of its own."""
    folder = tmp_path_factory.mktemp("habits")
    (folder / "conftest.py").write_text(CONFTEST)
    (folder / "test_broken.py").write_text(BROKEN)
    start = f"import sys; sys.path.insert(0, {str(ROOT)!r}); import pytest; sys.exit(pytest.main())"

    def say(hang_s, *words):
        (folder / "pytest.ini").write_text(f"[pytest]\nprocessor_time_s = 0.5\nhang_s = {hang_s}\n")
        return run(sys.executable, "-c", start, *words, "-rA", "-p", "no:cacheprovider", cwd=folder).stdout

    return say


@pytest.fixture(scope="module")
def report(broken):
    """All but the one that sleeps; on a busy machine the others take long."""
    return broken(600.0, "-n", "1", "-k", "not sleeps")


@pytest.mark.slow
@pytest.mark.parametrize(
    "name",
    ["computes_without_end", "computes_in_another_thread_and_waits_for_it", "a_property_without_end"],
)
def test_processor_time_beyond_the_limit_fails_a_test_and_shows_where_it_was(report, name):
    assert f"FAILED test_broken.py::test_{name}" in report
    (part,) = re.findall(rf"^_+ test_{name} _+$(.*?)^_{{5,}}|^_+ test_{name} _+$(.*)", report, re.MULTILINE | re.DOTALL)
    shown = "".join(part)
    assert "OutOfTimeError: the test took more than 0.5 s of processor time" in shown
    assert re.search(r"test_broken\.py:\d+", shown)


@pytest.mark.slow
def test_one_that_sleeps_is_ended_too(broken):
    report = broken(1.0, "-k", "sleeps")

    assert "FAILED test_broken.py::test_sleeps_for_good" in report
    assert "OutOfTimeError: the test took more than 1 s" in report


@pytest.mark.slow
def test_fixtures_of_an_ended_test_clean_up_and_the_next_test_runs(report):
    assert "cleaned up" in report
    assert "PASSED test_broken.py::test_sound" in report


@pytest.mark.slow
def test_a_thread_a_handle_or_a_process_left_behind_fails_by_its_name(report):
    assert "ERROR test_broken.py::test_leaves_a_thread" in report
    assert "left behind: thread left-over" in report
    assert "ERROR test_broken.py::test_leaves_a_file" in report
    assert re.search(r"left behind: handle \d+ on /.*/left-open", report)
    assert "ERROR test_broken.py::test_leaves_a_process" in report
    assert "left behind: process sleep 1000" in report


@pytest.mark.parametrize(
    ("message", "code"),
    [
        ("Say why\n", 0),
        ("Say why\n\nBecause it was asked.\n# a comment\n", 0),
        ("x" * 72 + "\n", 0),
        ("x" * 73 + "\n", 1),
        ("Say why\nBecause\n", 1),
        ("\n", 1),
    ],
)
def test_a_commits_subject_is_short_and_stands_alone(tmp_path, message, code):
    (tmp_path / "message").write_text(message)

    assert run(ROOT / ".ci" / "commit-subject", tmp_path / "message").returncode == code


def test_hooks_are_this_projects_own():
    named = re.findall(r"repo: (.+)", (ROOT / ".pre-commit-config.yaml").read_text())

    assert named == ["local"]


@given(strategies.integers(0, 3))
@settings(max_examples=4)
def test_a_property_that_waits_for_a_busy_machine_holds(number):
    """Its second call takes as long as its first, and both longer than hypothesis would wait by itself."""
    time.sleep(0.25)
    assert 0 <= number <= 3


def test_each_change_since_the_last_release_is_one_that_the_changelog_takes():
    """A fragment with a kind of its own would be left out of the changelog without a word."""
    fragments = [path for path in (ROOT / "changes").iterdir() if path.name != "README.md"]
    done = run(sys.executable, "-m", "towncrier", "build", "--draft", "--version", "9.9.9", cwd=ROOT)

    assert done.returncode == 0, done.stderr
    first_words = [" ".join(path.read_text().split()[:6]) for path in fragments]
    said = " ".join(done.stdout.split())
    assert [words for words in first_words if words not in said] == []


def test_the_newest_version_of_the_changelog_is_the_one_that_runs():
    newest = re.search(r"^## \[(.+?)\]", (ROOT / "CHANGELOG.md").read_text(), re.MULTILINE)

    assert newest is not None
    assert newest[1] == __version__


def test_no_port_is_given_out_twice(monkeypatch):
    """Of six benches two were to serve their metrics at one port, once in some hundred farms."""
    drawn = iter([31_001, 31_001, 31_002])
    monkeypatch.setattr(processes.random, "randrange", lambda *_: next(drawn))

    assert processes.free_port() != processes.free_port()
