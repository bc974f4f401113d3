"""Where a bench keeps its things.

`/etc/saltern/NAME.toml` is the bench file of the installed bench NAME: the *instance*, as its unit calls it. Unless the
bench file says otherwise its records are in `/var/lib/saltern/NAME`, and its socket and the list of its outputs in
`/run/saltern/NAME`: the folders that the Filesystem Hierarchy Standard has for such things. Any other bench file has
its things beside it.
"""

import os
import re
from pathlib import Path

from saltern.errors import ConfigError

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


def _root() -> Path:
    return Path(os.environ.get(ROOT) or "/")
