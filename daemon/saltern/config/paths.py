"""Where a bench keeps its things.

`/etc/saltern/NAME.toml` is the bench file of the installed bench NAME: the *instance*, as its unit calls it. Unless the
bench file says otherwise its records are in `/var/lib/saltern/NAME`, and its socket and the list of its outputs in
`/run/saltern/NAME`: the folders that the Filesystem Hierarchy Standard has for such things. Any other bench file has
its things beside it.
"""

import os
import re
from pathlib import Path
from typing import TYPE_CHECKING

from saltern.errors import ConfigError

if TYPE_CHECKING:  # commands that need no bench file start without its tables
    from saltern.config.tables import BenchConfig

ROOT = "SALTERN_ROOT"
"""Environment: a folder that stands for `/`, for tests and for images of a disk."""

DEFAULT = "bench"
"""The instance that `saltern.service` runs, and that commands mean when no bench is named."""

NAMES = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.:-]{0,63}")


def configuration() -> Path:
    return _root() / "etc/saltern"


def all_states() -> Path:
    return _root() / "var/lib/saltern"


def all_runtimes() -> Path:
    return _root() / "run/saltern"


def state_of(instance: str) -> Path:
    return all_states() / instance


def runtime_of(instance: str) -> Path:
    return all_runtimes() / instance


def bench_file_of(instance: str) -> Path:
    """Return the bench file of an instance.

    Raises
    ------
    ConfigError
        This cannot be the name of one.
    """
    if not NAMES.fullmatch(instance):
        raise ConfigError(
            f"{instance!r} cannot be the name of an instance",
            where="--instance",
            remedy="Give the name of a bench file in /etc/saltern, without .toml",
        )
    return configuration() / f"{instance}.toml"


def instance_of(bench_file: Path) -> str | None:
    """Return the instance whose bench file this is, or None: it lies elsewhere, and its things lie beside it."""
    path = Path(os.path.abspath(bench_file))  # a link is where it is, not where it points
    installed = path.parent == configuration() and path.suffix == ".toml" and NAMES.fullmatch(path.stem)
    return path.stem if installed else None


def default_bench() -> Path | None:
    """Return the bench file that a command means when none is named, if this computer has it."""
    path = bench_file_of(DEFAULT)
    return path if os.path.isfile(path) else None  # a folder that may not be read is no error here


def meant(bench_file: Path | None) -> Path | None:
    """Return the bench file that a command means: the one that is named, or this computer's own."""
    return bench_file if bench_file is not None else default_bench()


def runtime_folder(bench_file: Path) -> Path | None:
    """Return the folder that lives as long as the service: the one systemd made, or the instance's, if there is one."""
    made = os.environ.get("RUNTIME_DIRECTORY")
    if made:
        return Path(made.split(":")[-1])
    instance = instance_of(bench_file)
    return None if instance is None else runtime_of(instance)


def unit_of(instance: str) -> str:
    """Return the name of the unit that runs an instance."""
    return "saltern" if instance == DEFAULT else f"saltern@{instance}"


def records_path(config: "BenchConfig", bench_file: Path) -> Path:
    """Return where a bench keeps its records: an installed one in its state folder, any other beside its bench file.

    Records that an earlier version has left beside an installed bench file stay there.
    """
    beside, instance = bench_file.parent / config.records.path, instance_of(bench_file)
    return beside if instance is None or beside.is_file() else state_of(instance) / config.records.path


def socket_path(config: "BenchConfig", bench_file: Path) -> Path:
    """Return the socket on which its service answers: an installed one in its runtime folder, by default."""
    instance, named = instance_of(bench_file), config.service.socket
    if instance is not None:
        return default_socket(instance) if named is None else runtime_of(instance) / named
    if named is not None:
        return bench_file.parent / named
    return records_path(config, bench_file).with_name(f"{config.name}.sock")


def socket_by_sight(bench_file: Path) -> Path | None:
    """Return the socket that is there for a bench file, without reading the file as one; None where none is seen.

    A file that is being edited, or is wrong, must keep nobody from stopping a pump. Two lines of it are looked for.
    """
    instance = instance_of(bench_file)
    try:
        text = bench_file.read_text(encoding="utf-8", errors="replace")
    except OSError:
        text = ""
    named, name = (re.search(rf"^\s*{key}\s*=\s*[\"']([^\"'\n]+)", text, re.MULTILINE) for key in ("socket", "name"))
    if instance is not None:
        path = default_socket(instance) if named is None else runtime_of(instance) / named[1]
    elif named is not None:
        path = bench_file.parent / named[1]
    elif name is not None:
        path = bench_file.parent / f"{name[1]}.sock"
    else:
        return None
    return path if path.is_socket() else None


def default_socket(instance: str) -> Path:
    """Return the socket of an installed bench whose file names none; known without reading that file."""
    return runtime_of(instance) / "saltern.sock"


def _root() -> Path:
    return Path(os.environ.get(ROOT) or "/")
