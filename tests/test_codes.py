"""The table of codes is whole: every code that the source can raise has a row, and every row is raised somewhere."""

import ast
import re
from pathlib import Path

import pytest

import saltern
from saltern.bench.interlocks import TABLE
from saltern.model import codes
from saltern.model.alert import Severity
from saltern.model.calibration import Cause
from saltern.model.determination import Notice
from saltern.model.verdict import Reason

SOURCE = Path(saltern.__file__).parent
RAISES = {"alert": 0, "once": 0, "stands": 1, "Watched": 1, "Alert": 3, "code": 0}
"""The calls that name an alert, and which argument is its code."""

SIDES = ("low", "high")


def trees():
    for path in sorted(SOURCE.rglob("*.py")):
        yield path, ast.parse(path.read_text(encoding="utf-8"))


def said(node):
    """Return the code that an argument says: a text, the begin of one that is put together, or a notice's value."""
    match node:
        case ast.Constant(value=str(text)):
            return text
        case ast.JoinedStr(values=[ast.Constant(value=str(begins)), *_]):
            return f"{begins}*"
        case ast.Attribute(value=ast.Attribute(attr=name), attr="value") if name in Notice.__members__:
            return Notice[name].value
    return None


def constants_of(tree):
    """Return the texts that names stand for: `A = "a"`, and `A, B = "a", 5`."""
    found = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.Assign):
            (target,) = node.targets[:1]
            pair = isinstance(target, ast.Tuple) and isinstance(node.value, ast.Tuple)
            names, values = (target.elts, node.value.elts) if pair else ([target], [node.value])
            found |= {
                name.id: value.value
                for name, value in zip(names, values, strict=False)
                if isinstance(name, ast.Name) and isinstance(value, ast.Constant) and isinstance(value.value, str)
            }
    return found


def raised():
    """Return every code of an alert in the source, and the assignments `code = ...` that calls use."""
    found = set()
    for path, tree in trees():
        if "running" not in path.parts and path.name not in ("opening.py", "daemon.py", "report_death.py"):
            continue
        constants = constants_of(tree)
        for node in ast.walk(tree):
            if isinstance(node, ast.Assign) and any("code" in ast.dump(target) for target in node.targets):
                values = node.value.elts if isinstance(node.value, ast.Tuple) else [node.value]
                found |= {said(value) for value in values if isinstance(value, ast.JoinedStr)}
            if not isinstance(node, ast.Call):
                continue
            name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            place = RAISES.get(name)
            if place is not None and len(node.args) > place:
                argument = node.args[place]
                known = constants.get(argument.id) if isinstance(argument, ast.Name) else said(argument)
                found.add(known)
    return {code for code in found if code and not code[0].isupper()}


def test_every_alert_that_the_source_raises_is_in_the_table_and_the_other_way_round():
    in_source = raised()
    in_table = {code for kind, code, _ in codes.rows() if kind == "alert"}
    spelled_out = {f"{of}-{side}" for of in ("alkalinity", "alkalinity-far", "salinity", "ph") for side in SIDES}
    spelled_out |= {"alkalinity-rose", "alkalinity-fell"}  # handed to the one that looks for either
    assert in_source - in_table - {"alkalinity-*", "alkalinity-far-*"} == set()  # put together of two halves
    assert in_table - in_source - spelled_out == set()


@pytest.mark.parametrize(("listed", "members"), [(codes.REASONS, Reason), (codes.REFUSALS, Cause)])
def test_every_reason_and_refusal_has_a_row(listed, members):
    assert set(listed) == set(members)


@pytest.mark.parametrize("members", [Reason, Cause])
def test_every_reason_and_refusal_is_given_somewhere(members):
    text = "".join(path.read_text(encoding="utf-8") for path in SOURCE.rglob("*.py") if path.parent.name != "model")
    never = [
        one.value
        for one in members
        if not re.search(rf"\b{members.__name__}\.{one.name}\b", text) and f'"{one.value}"' not in text
    ]
    assert never == []


def test_alerts_have_a_severity_and_all_rows_say_what_to_do():
    for kind, code, row in codes.rows():
        assert row.means[0].isupper(), code
        assert row.do[0].isupper(), code
        assert not row.means.endswith("."), code
        assert (row.severity is not None) is (kind == "alert" and code != "interlock-*"), code


def test_an_interlock_s_alert_is_as_severe_as_its_row():
    for row in TABLE:
        assert codes.of_alert(f"interlock-{row.name}") is codes.FAMILIES["interlock-"]
        assert isinstance(row.severity, Severity)


def test_a_code_that_nobody_listed_still_reaches_the_keeper():
    assert codes.of_alert("no-such-code") is codes.UNKNOWN
    assert codes.UNKNOWN.severity is Severity.ERROR
