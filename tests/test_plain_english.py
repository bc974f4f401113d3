"""What a person reads is plain English: a list of turns that are not used, and sentences that are short."""

import ast
import re
from pathlib import Path
from statistics import median

import pytest
import typer.main

from saltern.bench.interlocks import as_table
from saltern.model import codes
from tests.cli.command import app

ROOT = Path(__file__).parent.parent
SOURCES = sorted([*(ROOT / "daemon").rglob("*.py"), *(ROOT / "drivers").rglob("*.py")])
PAGES = [ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md"))]
NOT_USED = {
    r"(?<!there )(?<!There )\b(is|are|was|were) no (?!longer\b|more\b)\w+": "'is not an X'",
    r"\b(told|tells?|telling)\b": "'report', 'show', 'alert'",
    r"\bbeliev\w+": "'accept', 'use', 'trust'",
    r"\bhangs? (on|at)\b": "'is connected to'",
    r"\bbooks\b": "'ledger', 'state'",
    r"\b(lest|whereof|thereof|whereupon|therein|wherein)\b": "a new sentence",
    r"\bwhosoever\b|\bwhatsoever\b": "'whoever', 'nothing'",
    r"\bX UTC\b": "a time by the bench's clock (written_time)",
    r"\bsaltern (part|hold|empty|measure|status|reset) BENCH\.toml": "the same without a bench file",
}
LONGEST_MEDIAN_WORDS = 18


def help_texts():
    """Yield the help of each command and of each of its options."""
    waiting = [("saltern", typer.main.get_command(app))]
    while waiting:
        name, command = waiting.pop()
        yield name, command.help or ""
        for parameter in command.params:
            yield f"{name} {parameter.name}", getattr(parameter, "help", None) or ""
        waiting += [(f"{name} {inner}", each) for inner, each in getattr(command, "commands", {}).items()]


def table_texts():
    """Yield what the tables of codes and interlocks say."""
    for kind, code, row in codes.rows():
        yield f"{kind} {code}", f"{row.means}. {row.do}."
    for row in as_table():
        yield f"interlock {row['interlock']}", f"{row['remedy']}."


def written_in(path):
    """Yield each text of a source file that is not a comment or a docstring, as line and text."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    silent = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    silent |= {id(part) for node in ast.walk(tree) if isinstance(node, ast.JoinedStr) for part in node.values}
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            yield node.lineno, "".join(p.value if isinstance(p, ast.Constant) else "X" for p in node.values)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in silent:
            yield node.lineno, node.value if _is_prose(node.value) else ""


def _is_prose(text):
    return " " in text and not text.startswith("\n")  # SQL begins on a line of its own


def errors_in(path):
    """Yield what each raised error of a source file says."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Raise) and isinstance(node.exc, ast.Call):
            words = [*node.exc.args, *(keyword.value for keyword in node.exc.keywords if keyword.arg == "remedy")]
            for word in words:
                if isinstance(word, ast.Constant) and isinstance(word.value, str) and " " in word.value:
                    yield f"{word.value}."
                elif isinstance(word, ast.JoinedStr):
                    yield "".join(p.value if isinstance(p, ast.Constant) else "X" for p in word.values) + "."


def turns_in(text):
    return [f"{found.group(0)!r}: {better}" for turn, better in NOT_USED.items() for found in re.finditer(turn, text)]


def sentences(text):
    return [each for each in re.split(r"(?<=[.:;!?])\s+", " ".join(text.split())) if len(each.split()) > 1]


@pytest.mark.parametrize("texts", [help_texts, table_texts])
def test_help_codes_and_interlocks_use_none_of_these_turns(texts):
    assert not {where: turns_in(text) for where, text in texts() if turns_in(text)}


def test_no_text_of_the_program_uses_one_of_these_turns():
    found = {
        f"{path.relative_to(ROOT)}:{line}": turns_in(text)
        for path in SOURCES
        for line, text in written_in(path)
        if turns_in(text)
    }
    assert not found


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_no_page_uses_one_of_these_turns(page):
    assert not turns_in(page.read_text(encoding="utf-8"))


def test_half_of_all_sentences_are_short():
    texts = [text for _, text in (*help_texts(), *table_texts())]
    texts += [text for path in SOURCES for text in errors_in(path)]
    lengths = [len(each.split()) for text in texts for each in sentences(text)]

    assert len(lengths) > 1000
    assert median(lengths) <= LONGEST_MEDIAN_WORDS


def test_what_is_not_used_would_be_seen():
    assert turns_in("The float is no switch") == ["'is no switch': 'is not an X'"]
    assert not turns_in("there is no driver of that name")
    assert len(turns_in("The keeper is told what hangs on the bus, lest it be believed")) == 4
