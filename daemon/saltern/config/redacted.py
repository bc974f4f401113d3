"""A bench file that may be shown to a stranger: what is, or may be, a secret or private is taken out."""

import re
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import tomlkit

from saltern.config.loading import read_toml

REMOVED = "(removed)"
PRIVATE = re.compile(r"pass|secret|token|key|credential|user|login|mail|phone|call|url|uri|host|address", re.IGNORECASE)
NAMES_A_FILE = re.compile(r"_file$|^folder$|^textfile$")
"""Options that name a file, which may be shown: what is in it is the secret, and stays where it is."""

ADDRESS = re.compile(r"\b([a-z][a-z0-9+.-]*)://[^\s\"'<>]+", re.IGNORECASE)


def redacted(bench_file: Path) -> str:
    """Return the bench file without comments, and without what an outlet or an option may hold of secrets.

    A table of an outlet, which a stranger may have brought, keeps numbers and names of files: no other text stays.

    Raises
    ------
    ConfigError
        The file cannot be read, or is not TOML.
    """
    table = read_toml(bench_file)
    for name in ("outlets", "mqtt", "metrics"):
        if name in table:
            table[name] = _clean(table[name], every_text=True)
    return tomlkit.dumps(_clean(table, every_text=False))


def secrets_of(bench_file: Path) -> list[str]:
    """Return every text that the bench file or a credential that it names would give away, as far as it can be read."""
    try:
        table = tomllib.loads(bench_file.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return []
    return sorted({text for text in _secrets(table, bench_file.parent, "") if len(text) >= SHORTEST}, key=len)[::-1]


SHORTEST = 4
"""A shorter word is in every log by chance."""


def without(text: str, secrets: Sequence[str]) -> str:
    """Return a text without these secrets, and without what follows the scheme of any address."""
    for secret in secrets:
        text = text.replace(secret, REMOVED)
    return ADDRESS.sub(rf"\1://{REMOVED}", text)


def _clean(value: Any, *, every_text: bool, name: str = "") -> Any:
    if isinstance(value, dict):
        return {key: _clean(inner, every_text=every_text, name=key) for key, inner in value.items()}
    if isinstance(value, list):
        return [_clean(inner, every_text=every_text, name=name) for inner in value]
    if isinstance(value, str) and not NAMES_A_FILE.search(name) and (every_text or PRIVATE.search(name)):
        return REMOVED
    return value


def _secrets(value: Any, folder: Path, name: str) -> list[str]:
    if isinstance(value, dict):
        return [text for key, inner in value.items() for text in _secrets(inner, folder, key)]
    if isinstance(value, list):
        return [text for inner in value for text in _secrets(inner, folder, name)]
    if not isinstance(value, str):
        return []
    if name.endswith("_file"):
        return _lines(folder / value)
    return [value] if PRIVATE.search(name) else []


def _lines(path: Path) -> list[str]:
    try:
        return [line.strip() for line in path.read_text(encoding="utf-8").splitlines() if line.strip()]
    except (OSError, UnicodeDecodeError):
        return []
