"""A command that is typed is the only one that is loaded, and is the same as among all of them."""

import subprocess
import sys

import pytest
import typer

from saltern.cli import guide
from saltern.cli.main import COMMANDS, NAMES, asked_for, command_line
from tests.cli.command import app


@pytest.mark.parametrize("name", NAMES)
def test_alone_it_is_what_it_is_among_all_commands(name):
    alone, among = (typer.main.get_command(a).commands[name] for a in (command_line([name]), app))
    assert (alone.help, [vars(p)["name"] for p in alone.params]) == (among.help, [p.name for p in among.params])


def test_every_command_of_a_guided_procedure_has_its_row():
    assert set(typer.main.get_command(guide.commands).commands) <= set(NAMES)


def test_every_name_is_there_once():
    assert len(set(NAMES)) == len(NAMES) == len(COMMANDS)


@pytest.mark.parametrize(
    ("typed", "loaded"),
    [(["status"], ("status",)), ([], NAMES), (["--help"], NAMES), (["stauts"], NAMES), (["log", "list"], ("log",))],
)
def test_all_of_them_are_loaded_where_none_is_named(monkeypatch, typed, loaded):
    monkeypatch.setattr(sys, "argv", ["saltern", *typed])
    assert asked_for() == loaded


def test_a_shell_that_asks_how_a_word_goes_on_hears_of_all(monkeypatch):
    monkeypatch.setattr(sys, "argv", ["saltern", "status"])
    monkeypatch.setenv("_SALTERN_COMPLETE", "complete_bash")
    assert asked_for() == NAMES


def test_a_status_loads_neither_numpy_nor_pydantic_models_of_benches():
    loads = (
        "import sys; sys.argv = ['saltern', 'status', '--help']; from saltern.cli.main import command_line, asked_for; "
    )
    loads += "command_line(asked_for()); import saltern.cli.present_live; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", loads], capture_output=True, text=True, check=True)
    loaded = set(done.stdout.split())
    assert not loaded & {"numpy", "gsw", "plotext", "saltern.config.tables", "saltern.running.service"}
