"""The simulated bench, reached by its entry points: nothing of the service imports it."""

from importlib.metadata import entry_points
from typing import Any

from saltern.errors import ConfigError

GROUP = "saltern.twin"


def of_the_twin(name: str) -> Any:
    """Return what the simulated bench gives by this name.

    Raises
    ------
    ConfigError
        What is installed is older than this program.
    """
    found = entry_points(group=GROUP, name=name)
    if not found:
        raise ConfigError(f"nothing is installed as {name!r}", where=GROUP, remedy="Install Saltern again: pip install")
    (entry,) = found
    return entry.load()
