"""Opens the outlets that a bench file asks for; each needs its extra, and says so where it is not installed."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, time
from pathlib import Path
from typing import Any, Protocol
from zoneinfo import ZoneInfo

from saltern.config.hours import is_within
from saltern.config.tables import BenchConfig
from saltern.errors import ConfigError
from saltern.ports import Clock
from saltern.records.store import Store


class _Closes(Protocol):
    def close(self) -> None: ...


@dataclass
class Outlets:
    """What is open; `update` gives a status to those that want one."""

    open: list[_Closes]
    update: Callable[[dict[str, Any]], None]


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
    found, config = Outlets([], lambda status: None), current()
    try:
        if config.mqtt is not None:
            found.open.append(_mqtt(config, folder, store))
        if config.metrics.textfile is not None or config.metrics.port is not None:
            metrics = _metrics(config, folder)
            found.open.append(metrics)
            found.update = metrics.update
        if config.alerts.urls_file is not None or config.alerts.watcher_url_file is not None:
            found.open.append(_notify(current, folder, store, clock, alive))
        yield found
    finally:
        for outlet in reversed(found.open):
            outlet.close()


def _mqtt(config: BenchConfig, folder: Path, store: Store) -> _Closes:
    try:
        from saltern.publish.mqtt import MqttOutlet
    except ImportError as error:
        raise _missing("mqtt", error) from error
    assert config.mqtt is not None  # noqa: S101 - asked by the caller
    return MqttOutlet(config.mqtt, config.name, folder, store)


def _metrics(config: BenchConfig, folder: Path) -> Any:
    try:
        from saltern.publish.openmetrics import MetricsOutlet
    except ImportError as error:
        raise _missing("metrics", error) from error
    return MetricsOutlet(config.metrics, config.name, folder)


def _notify(
    current: Callable[[], BenchConfig], folder: Path, store: Store, clock: Clock, alive: Callable[[], bool]
) -> _Closes:
    try:
        from saltern.publish.notify import NotifyOutlet
    except ImportError as error:
        raise _missing("alerts", error) from error
    config = current()

    def is_quiet(utc: time) -> bool:
        zone = ZoneInfo(current().schedule.time_zone)
        local = datetime.combine(clock.now().date(), utc, tzinfo=UTC).astimezone(zone).time()
        return is_within(local, current().alerts.quiet)

    return NotifyOutlet(config.alerts, config.name, folder, store, clock, is_quiet, alive)


def _missing(extra: str, error: ImportError) -> ConfigError:
    return ConfigError(
        f"the bench file asks for {extra}, and {error.name} is not installed",
        where=extra,
        remedy=f"pip install 'saltern[{extra}]'",
    )
