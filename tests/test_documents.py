"""The documents are true: reference pages are the code's, commands exist as they are written, links lead somewhere."""

import re
import shlex
import shutil
import subprocess

import pytest
import typer.main

from tests.cli.command import app
from tests.documents import PAGES, REFERENCE, ROOT, manual, page_of

DOCUMENTS = [ROOT / "README.md", ROOT / "DEVELOPERS.md"]
DOCUMENTS += sorted([*(ROOT / "docs").rglob("*.md"), *(ROOT / "hardware").glob("*.md")])
DOCUMENTS.remove(REFERENCE / "commands.md")  # written from the commands themselves
INLINE = re.compile(r"`(?:sudo )?(saltern(?: [^`]+)?)`")
BLOCK = re.compile(r"^    (?:sudo )?(saltern .*?)(?:  +#.*)?$", re.MULTILINE)
LINK = re.compile(r"\]\(([^)#]+)(?:#[^)]*)?\)")


def written(page):
    """Return each command that a page gives, in a block or in a line."""
    text = page.read_text(encoding="utf-8")
    return [*BLOCK.findall(text), *(words for words in INLINE.findall(text) if " " in words)]


def wrong_with(words):
    """Return what the command line would not take of a command, or nothing."""
    command = typer.main.get_command(app)
    first = re.split(r"&&|;|\|", words)[0]
    rest = shlex.split(first.rstrip(":,. "), comments=True)[1:]
    while rest and getattr(command, "commands", None):
        name = rest.pop(0)
        if name.startswith("-"):
            break
        if name not in command.commands:
            return f"{name!r} is not a command"
        command = command.commands[name]
    known = {option for parameter in command.params for option in (*parameter.opts, *parameter.secondary_opts)}
    unknown = [word for word in rest if word.startswith("--") and word.split("=")[0] not in known | {"--help"}]
    return f"unknown options {unknown}" if unknown and not getattr(command, "ignore_unknown_options", False) else ""


@pytest.mark.parametrize("name", sorted(PAGES))
def test_a_reference_page_says_what_the_code_says(name):
    kept = (REFERENCE / name).read_text(encoding="utf-8")
    assert kept == page_of(name), "run `python -m tests.documents`"


def test_the_manual_page_says_what_the_code_says_and_man_reads_it():
    page = ROOT / "docs" / "saltern.1"
    assert page.read_text(encoding="utf-8") == manual(), "run `python -m tests.documents`"
    if shutil.which("man") is None:
        pytest.skip("man is not installed")
    shown = subprocess.run(["man", "--warnings", "-l", page], capture_output=True, text=True, check=True)
    assert "warning" not in shown.stderr
    assert "saltern calibrate pump" in shown.stdout


@pytest.mark.parametrize("page", DOCUMENTS, ids=lambda page: str(page.relative_to(ROOT)))
def test_every_command_in_a_document_exists_with_its_options(page):
    found = {words: wrong_with(words) for words in written(page)}
    assert not {words: wrong for words, wrong in found.items() if wrong}


def test_a_command_that_does_not_exist_would_be_seen():
    assert wrong_with("saltern statuss") == "'statuss' is not a command"
    assert wrong_with("saltern results --newest 3") == "unknown options ['--newest']"
    assert wrong_with("saltern calibrate pump sample --new-tube") == ""
    assert sum(len(written(page)) for page in DOCUMENTS) > 100


@pytest.mark.parametrize("page", DOCUMENTS, ids=lambda page: str(page.relative_to(ROOT)))
def test_every_link_to_a_file_leads_to_one(page):
    links = [link for link in LINK.findall(page.read_text(encoding="utf-8")) if "://" not in link]
    assert not [link for link in links if not (page.parent / link).exists()]


def test_the_readme_is_read_in_one_go():
    assert len((ROOT / "README.md").read_text(encoding="utf-8").splitlines()) < 150
