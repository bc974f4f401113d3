"""Every code that a keeper can meet has a page, and every command stands in a group of the help."""

import json
import re

import pytest
import typer

from saltern.bench.interlocks import TABLE
from saltern.model import codes
from saltern.model.calibration import Cause
from saltern.model.verdict import Reason
from tests.cli.command import app, run

MET = sorted(
    {
        *codes.ALERTS,
        *(f"{begins}something" for begins in codes.FAMILIES),
        *(f"interlock-{row.name}" for row in TABLE),
        *(reason.value for reason in Reason),
        *(cause.value for cause in Cause),
        *(row.name for row in TABLE),
    }
)

GROUPS = ["Every day", "At the bench", "Calibrate", "Mend", "Files and reports", "Try it without a bench"]


@pytest.mark.parametrize("code", MET)
def test_each_code_has_a_page_that_says_what_it_is_and_what_to_do(code):
    ended, out, _ = run("explain", code)
    assert ended == 0
    assert out.startswith(code)
    assert "what it is" in out
    assert "what you do" in out


def test_an_alert_of_an_interlock_brings_its_row_and_is_as_severe():
    ended, out, _ = run("explain", "interlock-leak", "--json")
    assert ended == 0
    alert, row = json.loads(out)["pages"]
    assert alert["kind"] == "alert"
    assert row["code"] == "leak"
    assert alert["severity"] == row["severity"]
    assert row["cuts"] == "sample, titrant"


def test_a_code_that_is_two_things_has_both_pages():
    _, out, _ = run("explain", "storage", "--json")
    assert [page["kind"] for page in json.loads(out)["pages"]] == ["alert", "reason", "interlock"]


def test_without_a_code_all_are_listed():
    ended, out, _ = run("explain")
    assert ended == 0
    listed = {line.split()[0] for line in out.splitlines() if line.strip()}
    assert {code for code in MET if not code.startswith(tuple(codes.FAMILIES))} <= listed
    assert {f"{begins}*" for begins in codes.FAMILIES} <= listed


def test_a_misspelled_code_is_refused_with_what_is_near():
    ended, out, err = run("explain", "titrant-lwo")
    assert ended == 2
    assert out == ""
    assert "titrant-low" in err


def test_every_command_stands_in_a_group_of_the_help():
    ended, out, _ = run("--help")
    assert ended == 0
    assert "─ Commands ─" not in out
    groups = re.findall(r"─ ([^─]+) ─", out)
    assert groups == ["Options", *GROUPS]
    listed = re.findall(r"^│ ([a-z][a-z-]*)  ", out, re.MULTILINE)
    assert sorted(listed) == sorted(typer.main.get_command(app).commands)
