"""The outlets that a bench file asks for: found by their entry points, checked, opened, and closed again."""

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from functools import cache
from importlib.metadata import entry_points
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from saltern.config.tables import BenchConfig
from saltern.errors import ConfigError
from saltern.ports import Clock, install_extra
from saltern.publish.outlet import GROUP, Outlet, OutletKind, Surroundings
from saltern.records.store import Store


@dataclass
class Outlets:
    """What is open."""

    open: list[Outlet] = field(default_factory=list)

    def update(self, status: dict[str, Any]) -> None:
        """Give a status to each."""
        for outlet in self.open:
            outlet.update(status)


@cache
def kinds() -> dict[str, OutletKind]:
    """Return every outlet that is installed, by name."""
    return {entry.name: entry.load() for entry in entry_points(group=GROUP)}


def wanted(config: BenchConfig) -> dict[str, tuple[OutletKind, BaseModel]]:
    """Return the outlets that a bench file asks for, each with its table.

    Its tables are sound: `saltern.config.loading` has checked them.
    """
    found: dict[str, tuple[OutletKind, BaseModel]] = {}
    for name, kind in kinds().items():
        given = config.outlets.get(name)
        table = kind.table.model_validate(given) if kind.table and given is not None else kind.asked_by(config)
        if table is not None:
            found[name] = (kind, table)
    return found


def reaches(config: BenchConfig) -> list[str]:
    """Return which outlets are a way to hear of trouble, in words."""
    return [kind.reaches(table) for kind, table in wanted(config).values() if kind.reaches is not None]


@contextmanager
def outlets(
    current: Callable[[], BenchConfig], folder: Path, store: Store, clock: Clock, alive: Callable[[], bool]
) -> Iterator[Outlets]:
    """Open every outlet that the bench file asks for, and close them again.

    `current` is the bench file as it was last taken up: quiet hours may change while an outlet is open.

    Raises
    ------
    ConfigError
        An extra is not installed, or an outlet cannot be opened.
    """
    around, found = Surroundings(current, folder, store, clock, alive), Outlets()
    with ExitStack() as closing:
        for name, (kind, table) in wanted(current()).items():
            try:
                outlet = kind.open(table, around)
            except ImportError as error:
                raise _missing(name, kind, error) from error
            closing.callback(outlet.close)
            found.open.append(outlet)
        yield found


def _missing(name: str, kind: OutletKind, error: ImportError) -> ConfigError:
    return ConfigError(
        f"the bench file asks for {name}, and {error.name} is not installed",
        where=name,
        remedy=install_extra(kind.extra) if kind.extra is not None else f"Install {error.name} beside Saltern",
    )
