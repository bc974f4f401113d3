"""Pages that the program itself knows best, and the README's demo: written by `python -m tests.documents`."""

import ast
import json
import os
import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import typer
import typer.main

from saltern.bench.interlocks import as_table
from saltern.config.loading import bench_schema
from saltern.model import codes
from saltern.rpc.protocol import METHODS
from tests.cli.command import app

ROOT = Path(__file__).parent.parent
README = ROOT / "README.md"
REFERENCE = ROOT / "docs" / "reference"
WRITTEN = "This page is written by `python -m tests.documents`; a test fails where it is out of date."
KINDS = {"alert": "Alerts", "reason": "Reasons of a verdict", "refusal": "Why a calibration is refused"}


def page_of(name: str) -> str:
    """Return a page's text by the name of its file, one of `PAGES`."""
    return "\n".join(PAGES[name]())


def _commands() -> Iterator[str]:
    yield from ("# Commands", "", WRITTEN, "")
    yield from (
        "Commands that report or act take `--json`. Exit codes: 0 done, 1 failed, 2 wrong usage or configuration,",
        "3 refused by an interlock, 4 the service does not run.",
        "",
    )
    panels: dict[str, list[tuple[str, Any]]] = {}
    group = typer.main.get_command(app)
    for name, command in group.commands.items():  # type: ignore[attr-defined]
        if not command.hidden:
            panel = getattr(command, "rich_help_panel", None)
            panels.setdefault(panel if isinstance(panel, str) else "Other", []).append((name, command))
    for panel, commands in panels.items():
        yield from (f"## {panel}", "", "| command | what it does |", "|---|---|")
        for name, command in commands:
            for words, each in _leaves(name, command):
                options = " ".join(f"`{max(p.opts, key=len)}`" for p in each.params if p.param_type_name == "option")
                said = _cell((each.help or "").split("\n\n")[0])
                options = options.replace("`--help`", "").strip()
                yield f"| `saltern {words}{_arguments(each)}` | {said}{f' Options: {options}.' if options else ''} |"
        yield ""


def _leaves(words: str, command: Any) -> Iterator[tuple[str, Any]]:
    inner = getattr(command, "commands", None)
    if not inner:
        yield words, command
        return
    for name, each in inner.items():
        yield from _leaves(f"{words} {name}", each)


def _arguments(command: Any) -> str:
    names = [f" {p.name.upper()}" if p.required else f" [{p.name.upper()}]" for p in _positional(command)]
    return "".join(name + ("..." if p.nargs == -1 else "") for name, p in zip(names, _positional(command), strict=True))


def _positional(command: Any) -> list[Any]:
    return [p for p in command.params if p.param_type_name == "argument"]


def _bench_file() -> Iterator[str]:
    yield from ("# The bench file", "", WRITTEN, "")
    yield from (
        "TOML. Every key carries its unit in its name. `saltern check` reports every mistake at once, and",
        "`saltern check --schema` prints this as a JSON Schema for editors. Options of a device come from its driver:",
        "`saltern check` names those that are missing.",
        "",
    )
    schema = bench_schema()
    definitions = schema.get("$defs", {})
    yield from _table("the top of the file", schema, definitions)
    for name, each in _tables_in(schema, definitions, ""):
        yield from _table(f"[{name}]", each, definitions)


def _tables_in(table: dict[str, Any], definitions: dict[str, Any], above: str) -> Iterator[tuple[str, dict[str, Any]]]:
    for key, each in table.get("properties", {}).items():
        for found, wild in _nested(each, definitions):
            name = f"{above}{key}{wild}"
            yield name, found
            yield from _tables_in(found, definitions, f"{name}.")


def _nested(each: dict[str, Any], definitions: dict[str, Any]) -> Iterator[tuple[dict[str, Any], str]]:
    for one in each.get("anyOf", [each]):
        more = one.get("additionalProperties")
        for inner, wild in ((one, ""), (more if isinstance(more, dict) else {}, ".NAME")):
            found = definitions.get(inner.get("$ref", "").rsplit("/", 1)[-1], inner)
            if found.get("properties"):
                yield found, wild


def _table(title: str, table: dict[str, Any], definitions: dict[str, Any]) -> Iterator[str]:
    rows = [
        f"| `{key}` | {_type_of(each, definitions)} | {_default(key, each, table)} "
        f"| {_cell(each.get('description', ''))} |"
        for key, each in table.get("properties", {}).items()
        if not list(_nested(each, definitions))
    ]
    if rows and list(table["properties"]) != ["driver"]:
        about = _cell(table.get("description", "").split("\n\n")[0])
        yield from (f"## {title}", "", *([about, ""] if about and title[0] == "[" else []))
        yield from ("| key | value | default | what it is |", "|---|---|---|---|", *rows, "")


def _type_of(each: dict[str, Any], definitions: dict[str, Any]) -> str:
    each = definitions.get(each.get("$ref", "").rsplit("/", 1)[-1], each)
    kinds = [k for k in each.get("anyOf", [each]) if k.get("type") != "null"]
    return " or ".join(dict.fromkeys(_one_type(kind, definitions) for kind in kinds))


def _one_type(kind: dict[str, Any], definitions: dict[str, Any]) -> str:
    kind = definitions.get(kind.get("$ref", "").rsplit("/", 1)[-1], kind)
    if "enum" in kind:
        return ", ".join(f"`{value}`" for value in kind["enum"])
    if "const" in kind:
        return f"`{kind['const']}`"
    if kind.get("type") == "array":
        return f"list of {_type_of(kind.get('items', {}), definitions) or 'values'}"
    bounds = [
        f"{word} {kind[key]:g}"
        for key, word in (("minimum", "≥"), ("exclusiveMinimum", ">"), ("maximum", "≤"), ("exclusiveMaximum", "<"))
        if isinstance(kind.get(key), int | float)
    ]
    names = {"string": "text", "number": "number", "integer": "whole number", "boolean": "true or false"}
    name = kind.get("format") or names.get(str(kind.get("type")), "table")
    return " ".join([name, *bounds])


def _default(key: str, each: dict[str, Any], table: dict[str, Any]) -> str:
    if key in table.get("required", []):
        return "required"
    value = each.get("default")
    return "" if value in (None, [], {}, "") else f"`{str(value).lower() if isinstance(value, bool) else value}`"


def _codes() -> Iterator[str]:
    yield from ("# Codes", "", WRITTEN, "", "`saltern explain CODE` prints the same at the bench.", "")
    rows = list(codes.rows())
    for kind, title in KINDS.items():
        yield from (f"## {title}", "", "| code | severity | what it is | what you do |", "|---|---|---|---|")
        for found, code, row in rows:
            if found == kind:
                severity = "" if row.severity is None else row.severity.for_the_keeper
                yield f"| `{code}` | {severity} | {_cell(row.means)} | {_cell(row.do)} |"
        yield ""
    yield from (
        "## Interlocks",
        "",
        "Conditions and what each one cuts: [INTERLOCKS.md](../../hardware/INTERLOCKS.md).",
        "",
    )
    yield from ("| interlock | what you do |", "|---|---|")
    for each in as_table():
        yield f"| `{each['interlock']}` | {_cell(str(each['remedy']))} |"
    yield ""


def _database() -> Iterator[str]:
    from saltern.clock import RealClock
    from saltern.records.opening import open_store

    yield from ("# The database", "", WRITTEN, "")
    yield from (
        "The records are one SQLite file. Read it by these views: they keep their names and columns from version to",
        "version, tables do not. Times are ISO 8601 in UTC. `u` is the standard uncertainty (k = 1).",
        "",
        "    sqlite3 -readonly /var/lib/saltern/bench/records.sqlite 'SELECT * FROM v_results'",
        "",
    )
    store = open_store(":memory:", RealClock())
    try:
        views = store.rows("SELECT name FROM sqlite_master WHERE type = 'view' ORDER BY name")
        yield from ("| view | columns |", "|---|---|")
        for (name,) in map(tuple, views):
            columns = [row["name"] for row in store.rows(f"PRAGMA table_info({name})")]
            yield f"| `{name}` | {', '.join(f'`{column}`' for column in columns)} |"
    finally:
        store.close()
    yield ""


def _socket() -> Iterator[str]:
    yield from ("# The socket", "", WRITTEN, "")
    yield from (
        "Commands speak JSON-RPC 2.0 over a Unix socket, one message a line. `saltern check --rpc-schema` prints the",
        "JSON Schemas of parameters and replies. Readers (group `saltern-read`) may call what changes nothing.",
        "",
        "| method | parameters |",
        "|---|---|",
    )
    for name, model in METHODS.items():
        keys = [f"`{key}`" for key in model.model_json_schema().get("properties", {})]
        yield f"| `{name}` | {', '.join(keys) or 'none'} |"
    yield ""


def _outlets() -> Iterator[str]:
    from saltern.publish.mqtt import TOPICS
    from saltern.publish.openmetrics import GAUGES, LABELLED

    yield from ("# What goes out", "", WRITTEN, "")
    yield from (
        "## Topics",
        "",
        "Each is `BASE/BENCH/TOPIC` (`[outlets.mqtt]`), at least once, in order. What the broker keeps it gives to",
        "whoever comes later. The keys of each are on the page [json.md](json.md).",
        "",
        "| topic | kept | what it says |",
        "|---|---|---|",
    )
    for name, topic in TOPICS.items():
        yield f"| `{name}` | {'yes' if topic.kept else 'no'} | {_cell(topic.text)} |"
    yield from (
        "",
        "## Metrics",
        "",
        "OpenMetrics, in base units (`[outlets.metrics]`). Every series has the label `bench`. What is not known has",
        "no series. Counters are shown with `_total` at their end.",
        "",
        "| name | kind | labels | what it is |",
        "|---|---|---|---|",
    )
    for name, text in GAUGES.items():
        yield f"| `{name}` | gauge | | {_cell(text)} |"
    for name, each in LABELLED.items():
        yield f"| `{name}` | {each.kind} | {', '.join(f'`{label}`' for label in each.labels)} | {_cell(each.text)} |"
    yield ""


def _json() -> Iterator[str]:
    yield from ("# JSON", "", WRITTEN, "")
    yield from (
        "What commands print with `--json`, and what goes to a broker, by the keys of an example. `schema_version`",
        "changes when a key goes or means something else; new keys may come at any time. Times are ISO 8601; `u` is a",
        "standard uncertainty (k = 1). What is not known is `null`. `[]` stands for each of a list, `NAME` for any",
        "name. Replies of the socket have JSON Schemas: `saltern check --rpc-schema`.",
        "",
    )
    for title, value in examples().items():
        yield from (f"## {title}", "", "| key | value |", "|---|---|")
        yield from (f"| `{key}` | {kind} |" for key, kind in keys_of(value))
        yield ""


def examples() -> dict[str, Any]:
    """Return an example of each JSON: of nine days of a reef, of a curve, of a simulated determination."""
    from saltern.publish.mqtt import alert_json, status_json
    from saltern.publish.tank_topics import AdviceTable, advice_json, tank_json
    from saltern.records.as_json import determination_json
    from tests.cli.test_evaluate import OPTIONS, curve
    from tests.nine_days import alert, nine_days, shown
    from tests.twin_bench import TwinBench

    def printed(*words: str | Path) -> Any:
        said = subprocess.run(
            [sys.executable, "-m", "saltern.cli.main", *map(str, words), "--json"], check=True, capture_output=True
        )
        return json.loads(said.stdout)

    with TemporaryDirectory() as name:
        folder = Path(name)
        bench, low = nine_days(folder), alert(3, "alkalinity-low", "alkalinity is 6.9 dKH")
        status = shown(bench, alerts=(low,))
        readings, scenario = folder / "curve.csv", folder / "scenario.toml"
        readings.write_text(curve())
        scenario.write_text("seed = 5\ndays = 0.02\n[tank]\nvolume_l = 400.0\n")
        return {
            "`saltern show`, topic `result`": {"schema_version": 1, **determination_json(1, TwinBench().determine())},
            "`saltern tank`": printed("tank", "--bench", bench),
            "`saltern evaluate`": printed("evaluate", readings, *OPTIONS),
            "`saltern simulate`": printed("simulate", scenario),
            "topic `status`": status_json(status),
            "topic `tank`": tank_json(status["tank"]),
            "topic `advice`": advice_json(status["tank"], AdviceTable(most_dkh_per_day=5.0)),
            "topic `alert`": alert_json(1, low),
        }


def keys_of(value: Any, at: str = "") -> Iterator[tuple[str, str]]:
    """Yield each key of a JSON value with what stands there; of a list, those of its first."""
    if isinstance(value, dict) and value:
        named = all(re.fullmatch("[a-z][a-z0-9_]*", key) for key in value)
        for key, each in value.items() if named else [("NAME", next(iter(value.values())))]:
            yield from keys_of(each, f"{at}.{key}" if at else key)
    elif isinstance(value, list) and value:
        yield from keys_of(value[0], f"{at}[]")
    else:
        names = {bool: "true or false", int: "number", float: "number", str: "text", list: "list", dict: "table"}
        yield at, "`null` here" if value is None else names[type(value)]


ROOMS = (ROOT / "daemon" / "saltern", ROOT / "drivers" / "saltern_drivers")


def _code() -> Iterator[str]:
    yield from ("# The code, file by file", "", WRITTEN, "")
    yield from ("What each file is for, in its own first words. DEVELOPERS.md says how the rooms hang together.", "")
    for root in ROOMS:
        for room in sorted({path.parent for path in root.rglob("*.py")}):
            files = {path.stem: words for path in sorted(room.glob("*.py")) if (words := _first_words(path))}
            yield from (f"## `{room.relative_to(ROOT).as_posix()}/`", "")
            if said := files.pop("__init__", ""):
                yield from (said, "")
            yield from ("| file | what it is for |", "|---|---|")
            yield from (f"| `{name}` | {_cell(words)} |" for name, words in files.items())
            yield ""


def _first_words(path: Path) -> str:
    """Return the first paragraph of a file's docstring, on one line."""
    said = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or ""
    return " ".join(said.split("\n\n")[0].split())


PAGES: dict[str, Callable[[], Iterator[str]]] = {
    "commands.md": _commands,
    "bench-file.md": _bench_file,
    "codes.md": _codes,
    "database.md": _database,
    "socket.md": _socket,
    "outlets.md": _outlets,
    "json.md": _json,
    "code.md": _code,
}
"""What is written into `docs/reference`, by the name of its file."""


def manual() -> str:
    """Return the manual page: what `man saltern` shows."""
    lines = [
        '.TH SALTERN 1 "" "Saltern" "User commands"',
        ".SH NAME",
        "saltern \\- measure the alkalinity of a reef tank",
    ]
    lines += [".SH SYNOPSIS", ".B saltern", ".I COMMAND", "[OPTIONS]", ".SH DESCRIPTION"]
    lines += ["Runs a home-built seawater alkalinity titrator, unattended.", ".SH COMMANDS"]
    group: Any = typer.main.get_command(app)
    for name, command in group.commands.items():
        if not command.hidden:
            for words, each in _leaves(name, command):
                said = _cell((each.help or "").split("\n\n")[0]).replace("\\", "\\e").replace("-", "\\-")
                lines += [".TP", f".B saltern {words}{_arguments(each)}".replace("-", "\\-"), said]
    lines += [".SH FILES", ".TP", ".I /etc/saltern/bench.toml", "The bench file that a command uses by default."]
    lines += [".TP", ".I /var/lib/saltern", "Records.", ".SH EXIT STATUS"]
    lines += ["0 done, 1 failed, 2 wrong usage or configuration, 3 refused by an interlock, 4 no service runs.", ""]
    return "\n".join(lines)


def _cell(text: str) -> str:
    return " ".join(text.split()).replace("|", "\\|")


def with_demo(readme: str) -> str:
    """Return the README with the output of `saltern demo` as it is now."""
    words = [sys.executable, "-m", "saltern.cli.main", "demo"]
    shown = subprocess.run(words, check=True, capture_output=True, text=True, env={**os.environ, "COLUMNS": "80"})
    block = "".join(f"    {line}".rstrip() + "\n" for line in shown.stdout.rstrip().splitlines())
    begin, end = readme.index("    A day of a "), readme.index("\nThe twin, as we call")
    return readme[:begin] + block + readme[end:]


if __name__ == "__main__":
    README.write_text(with_demo(README.read_text(encoding="utf-8")), encoding="utf-8")
    REFERENCE.mkdir(parents=True, exist_ok=True)
    (ROOT / "docs" / "saltern.1").write_text(manual(), encoding="utf-8")
    for name in PAGES:
        (REFERENCE / name).write_text(page_of(name), encoding="utf-8")
