"""The page of the first day is followed as far as a machine can: its commands are run, and what they show compared."""

import doctest
import json
import os
import re
import shlex
import signal
import subprocess
import threading
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest
import typer

from saltern.procedures.bring_up.steps import STEPS
from tests.cli.command import app, run
from tests.processes import SALTERN, begin, rows, until

PAGE = Path(__file__).parents[1] / "hardware" / "FIRST_DAY.md"
BLOCK = re.compile(r"^```(\S+) ?(\S*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
LIKE = doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE


def blocks(language):
    return [(where, text) for kind, where, text in BLOCK.findall(PAGE.read_text()) if kind == language]


def typed(text):
    """Return each command of a block with what is seen after it."""
    return [(words.strip(), shown) for words, shown in re.findall(r"^\$ (.*)\n((?:(?!\$ ).*\n)*)", text, re.MULTILINE)]


def at_a_terminal(words):
    """Run a command as somebody does who looks on and types nothing; return what the screen has shown."""
    ours, theirs = os.openpty()
    process = begin(*SALTERN, *words, stdin=theirs, stdout=theirs, stderr=theirs)
    os.close(theirs)
    shown = b""
    with suppress(OSError):  # the terminal's other end has closed
        while data := os.read(ours, 4096):
            shown += data
    os.close(ours)
    process.wait()
    return shown.decode().replace("\r\n", "\n")


def idle():
    """Return whether the bench is free again: a terminal hears of the end a moment before."""
    return json.loads(run("status", "--json")[1])["running"] is None


def test_the_page_is_followed_at_the_desk_and_shows_what_it_says(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for name, value in (("COLUMNS", "80"), ("PYTHONUNBUFFERED", "1"), ("TERM", "dumb")):
        monkeypatch.setenv(name, value)
    looks = doctest.OutputChecker()
    practice, followed = None, 0
    for kind, where, text in BLOCK.findall(PAGE.read_text()):
        if kind != "console":
            continue
        for words, shown in typed(text):
            program, *rest = shlex.split(words)
            if program == "export":
                name, _, value = rest[0].partition("=")
                monkeypatch.setenv(name, value)
                continue
            assert program == "saltern"
            if where == "second-terminal":
                out = tmp_path / "practice.out"
                with out.open("w") as said:
                    practice = begin(*SALTERN, *rest, stdout=said, stderr=subprocess.DEVNULL)
                until(lambda o=out: "another terminal" in o.read_text(), practice)
                screen = out.read_text()
            elif rest == ["bring-up"]:
                screen = at_a_terminal(rest)
                until(idle, practice)
            else:
                screen = "".join(run(*rest)[1:])
            followed += 1
            assert looks.check_output(shown, screen, LIKE), f"$ {words}\n{screen}"
            questions = re.findall(r"^meter .*\(number\)", screen, re.MULTILINE)
            assert len(questions) == len(set(questions)), "a question that somebody else has answered is asked again"
    practice.send_signal(signal.SIGTERM)
    assert practice.wait() == 0
    assert followed >= 8


@contextmanager
def practising(folder, pace, *more):
    """Run `saltern practice` of a bench file, as its user does at a second terminal."""
    out = folder / "practice.out"
    with out.open("w") as said:
        process = begin(
            *SALTERN, "practice", "bench.toml", "--alone", "--pace", pace, *more, stdout=said, stderr=subprocess.DEVNULL
        )
    until(lambda: "another terminal" in out.read_text(), process)
    yield process
    if process.poll() is None:
        process.send_signal(signal.SIGTERM)
        assert process.wait() == 0


def steps_on_record():
    return [item["name"] for item in json.loads(run("bring-up", "--list", "--json")[1])["items"] if item["passed_utc"]]


@pytest.mark.soak
def test_a_rehearsal_goes_through_every_step_with_a_service_that_is_really_killed(tmp_path, monkeypatch):
    """Three processes in turn: one stopped in order, one killed while it fills, and one that goes on from there."""
    monkeypatch.chdir(tmp_path)
    for name, value in (("PYTHONUNBUFFERED", "1"), ("TERM", "dumb"), ("SALTERN_BENCH", "bench.toml")):
        monkeypatch.setenv(name, value)
    assert run("init", "bench.toml", "--from", "simulated", "--usual")[0] == 0
    before = [step.name for step in STEPS[: [step.name for step in STEPS].index("kill")]]

    with practising(tmp_path, 1000, "--new"):
        for name in before:
            screen = at_a_terminal(["bring-up"])
            assert "Done." in screen, (name, screen)
        assert set(before) <= set(steps_on_record())

    with practising(tmp_path, 20) as process:
        screens, kept = [], tmp_path / "saltern.sqlite"
        terminal = threading.Thread(target=lambda: screens.append(at_a_terminal(["bring-up"])))
        terminal.start()
        until(lambda: rows(kept, "SELECT value FROM state WHERE name = 'bring-up'"), process)
        until(lambda: rows(kept, "SELECT stage FROM ledger ORDER BY id DESC LIMIT 1") == [("fill",)], process)
        process.kill()
        process.wait()
        terminal.join()
        assert "the service went away" in screens[0]

    with practising(tmp_path, 1000):
        for name in ("kill", "vessel", "acid"):
            screen = at_a_terminal(["bring-up"])
            assert "Done." in screen, (name, screen)
        assert {step.name for step in STEPS} <= set(steps_on_record())


def commands(group=None, before=()):
    """Yield the words of every command there is."""
    group = typer.main.get_command(app) if group is None else group
    for name, command in getattr(group, "commands", {}).items():
        yield (*before, name)
        yield from commands(command, (*before, name))


@pytest.mark.parametrize(
    "words", [line for _, text in blocks("sh") for line in text.splitlines() if "saltern " in line]
)
def test_each_command_that_needs_a_bench_is_there_with_its_options(words):
    for one in words.split("&&"):
        found = [word for word in shlex.split(one) if word != "sudo"]
        if found[0] != "saltern":
            continue
        path = tuple(word for word in found[1:] if not word.startswith("-"))
        known = max((each for each in commands() if path[: len(each)] == each), key=len)
        command = typer.main.get_command(app)
        for name in known:
            command = command.commands[name]
        options = {option for parameter in command.params for option in parameter.opts}
        assert {word for word in found if word.startswith("--")} <= options, words


def test_every_link_of_the_page_leads_somewhere():
    for target in re.findall(r"\]\((?!http)([^)#]+)\)", PAGE.read_text()):
        assert (PAGE.parent / target).exists(), target


def test_the_cautions_stand_before_what_they_are_of():
    page = PAGE.read_text()
    assert page.index("licensed electrician") < page.index("## 1.")
    assert page.index("test button") < page.index("## 1.")
    assert page.index("Siphons") < page.index("## 4.")
    assert page.index("goggles") < page.index("12 acid")
    rows = re.findall(r"^\| (\d+) (\S+) \|", page, re.MULTILINE)
    assert rows == [(str(number), step.name) for number, step in enumerate(STEPS, start=1)]
