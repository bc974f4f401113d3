"""A bench file with some of its options replaced, every comment and every blank line of its keeper's kept."""

import os
from collections.abc import Mapping
from pathlib import Path

import tomlkit

from saltern.config.loading import bench_from
from saltern.errors import ConfigError


def merged(text: str, values: Mapping[str, tuple[float | str, str]], *, where: str) -> str:
    """Return a bench file with options set by their dotted names, each with a comment of its own.

    Raises
    ------
    StartupError
        No bench could run so.
    """
    document = tomlkit.parse(text)
    for name, (value, comment) in values.items():
        *path, last = name.split(".")
        table = document
        for part in path:
            table = table.setdefault(part, tomlkit.table())
        item = tomlkit.item(value)
        item.comment(comment)
        table[last] = item
    found = tomlkit.dumps(document)
    bench_from(tomlkit.parse(found).unwrap(), where=where)
    return found


def replace_file(path: Path, text: str) -> None:
    """Put a text in a file's place, whole or not at all; owner and mode stay.

    Raises
    ------
    ConfigError
        It cannot be written.
    """
    beside = path.with_name(f".{path.name}.new")
    try:
        was = path.stat()
        with beside.open("w", encoding="utf-8") as file:
            os.fchmod(file.fileno(), was.st_mode)
            os.fchown(file.fileno(), was.st_uid, was.st_gid)
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
    except OSError as error:
        beside.unlink(missing_ok=True)
        raise ConfigError(
            f"cannot be written ({error.strerror})", where=str(path), remedy="Say it as root, or print it without sudo"
        ) from error
