"""Reading a bench file: TOML, every mistake reported together, and the examples that ship."""

import tomllib
from collections.abc import Mapping
from importlib.metadata import entry_points
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from saltern.config.tables import BenchConfig
from saltern.errors import ConfigError, SalternError, StartupError

FORMER_OPTIONS = {
    "sample.rinse_ml": "Remove it: rinses are computed. How much may be carried over is sample.carry_over_umol_kg",
    "outlets.notify": "Remove it: alerts.urls_file and alerts.watcher_url_file ask for it",
}
"""What a bench file could say once, or might be expected to, by dotted name, and what says it today."""


def read_toml(path: Path) -> dict[str, Any]:
    """Read a TOML file.

    Raises
    ------
    ConfigError
        The file cannot be read or is not TOML.
    """
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise ConfigError(
            f"cannot be read ({error.strerror})", where=str(path), remedy="Give the path of a file that is there"
        ) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ConfigError(f"is not TOML: {error}", where=str(path), remedy="Correct that line") from error


def load_bench(path: Path) -> BenchConfig:
    """Read a bench file.

    Raises
    ------
    ConfigError
        The file cannot be read or is not TOML.
    StartupError
        It is TOML, but says something wrong; every mistake is listed.
    """
    return bench_from(read_toml(path), where=str(path))


def bench_from(table: dict[str, Any], *, where: str) -> BenchConfig:
    """Validate a bench file already parsed; `where` names it in messages."""
    try:
        config = BenchConfig.model_validate(table)
    except ValidationError as error:
        raise StartupError(where, config_mistakes(error, where)) from error
    if mistakes := outlet_mistakes(config, where):
        raise StartupError(where, mistakes)
    return config


def outlet_mistakes(config: BenchConfig, where: str) -> list[SalternError]:
    """Return what is wrong with the outlets' tables; each outlet brings the model of its own."""
    mistakes: list[SalternError] = []
    known = entry_points(group="saltern.outlets")
    for name, given in config.outlets.items():
        if name not in known.names:
            what, remedy = "is not an outlet", f"Installed are: {', '.join(sorted(known.names))}"
            mistakes.append(ConfigError(what, where=f"{where}, outlets.{name}", remedy=remedy))
            continue
        table = known[name].load().table
        if table is None:
            what = "has no table of its own"
            remedy = FORMER_OPTIONS.get(f"outlets.{name}", "Remove it: another table asks for it")
            mistakes.append(ConfigError(what, where=f"{where}, outlets.{name}", remedy=remedy))
            continue
        try:
            table.model_validate(given)
        except ValidationError as error:
            mistakes += config_mistakes(error, where, f"outlets.{name}.")
    return mistakes


def bench_schema() -> dict[str, Any]:
    """Return the JSON schema of bench files, the tables of the outlets that are installed in it."""
    schema = BenchConfig.model_json_schema()
    outlets = {}
    for entry in entry_points(group="saltern.outlets"):
        table = entry.load().table
        if table is not None:  # what it refers to stands at the top, as its references say
            outlets[entry.name] = table.model_json_schema(ref_template=f"#/$defs/{entry.name}.{{model}}")
            inner = outlets[entry.name].pop("$defs", {})
            schema["$defs"] |= {f"{entry.name}.{name}": each for name, each in inner.items()}
    schema["properties"]["outlets"] = {
        "description": schema["properties"]["outlets"]["description"],
        "type": "object",
        "properties": outlets,
        "additionalProperties": False,
    }
    return schema


def with_values(config: BenchConfig, values: Mapping[str, object], *, where: str) -> BenchConfig:
    """Return the bench file with options replaced, by dotted name, and everything checked again.

    Raises
    ------
    StartupError
        What results is no bench that could run.
    """
    table = config.model_dump(exclude_unset=True)
    for name, value in values.items():
        *path, last = name.split(".")
        inner = table
        for part in path:
            inner = inner.setdefault(part, {})
        inner[last] = value
    return bench_from(table, where=where)


def config_mistakes(error: ValidationError, where: str, above: str = "") -> list[SalternError]:
    """Turn pydantic's list into ours: one error a mistake, each with its place, below `above`, and remedy."""
    mistakes: list[SalternError] = []
    for mistake in error.errors():
        key = above + ".".join(str(part) for part in mistake["loc"]) or "the file"
        remedy = {
            "extra_forbidden": FORMER_OPTIONS.get(key, "Remove it, or look for a misspelling"),
            "missing": "Add it; the example benches show how",
        }.get(mistake["type"], "Correct the value")
        what = {"extra_forbidden": "is not an option", "missing": "is missing"}.get(
            mistake["type"], mistake["msg"].removeprefix("Value error, ")
        )
        if mistake["type"] not in ("extra_forbidden", "missing", "value_error"):
            what += f" (it says {mistake['input']!r})"
        mistakes.append(ConfigError(what, where=f"{where}, {key}", remedy=remedy))
    return mistakes


def shipped_config(name: str) -> Path:
    """Return the path of an example bench that ships with Saltern."""
    package = Path(__file__).parents[1]
    for folder in (package / "shipped_config", package.parents[1] / "config"):
        if (folder / name).is_file():
            return folder / name
    raise ConfigError(f"no example is called {name}", where="shipped config", remedy="Reinstall Saltern")
