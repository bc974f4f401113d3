"""A command that a message, a page or a bench file names can be typed as it stands: it has those options."""

import re
from pathlib import Path

from typer.main import get_command

from saltern.cli.main import NAMES, command_line

ROOT = Path(__file__).parents[2]
FOLDERS = ("daemon", "drivers", "docs", "hardware", "config", "systemd")
PAGES = ("README.md", "DEVELOPERS.md")
NAMED = re.compile(r"\bsaltern((?: [a-z][a-z-]*)+)([^`;\n|]*)")
ENDS = re.compile(r"\. |: |, |\)|saltern ")
OPTION = re.compile(r"(?<![\w-])--[a-z][a-z-]*")


def texts():
    yield from (ROOT / page for page in PAGES)
    for folder in FOLDERS:
        yield from (path for path in (ROOT / folder).rglob("*") if path.suffix in (".py", ".md", ".toml"))


def meant(app, words):
    """Return the command that these words begin with; a group where they name no more of it."""
    at = app
    for word in words:
        if not hasattr(at, "commands") or word not in at.commands:
            break
        at = at.commands[word]
    return at


def test_every_option_that_a_text_names_belongs_to_the_command_it_names():
    app, seen, wrong = get_command(command_line(NAMES)), 0, []
    for path in texts():
        for found in NAMED.finditer(path.read_text(encoding="utf-8")):
            words = found[1].split()
            command = meant(app, words)
            if words[0] not in NAMES or hasattr(command, "commands"):
                continue
            takes = {name for one in command.params for name in (*one.opts, *one.secondary_opts)} | {"--help"}
            for option in OPTION.findall(ENDS.split(found[2])[0]):
                seen += 1
                wrong += [] if option in takes else [f"{path.relative_to(ROOT)}: {' '.join(words)} {option}"]
    assert wrong == []
    assert seen > 50
