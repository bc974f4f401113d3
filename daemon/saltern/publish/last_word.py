"""Who is alerted when a service dies, kept where it can be read when the service is gone.

A credential that systemd hands to a service is out of reach of the commands that it runs after the service's end, and a
bench file may have been broken since. So a service leaves its addresses in its runtime folder, in memory, for its own
user alone: whoever can read them there could have read them in its own memory.
"""

import json
import os
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, time
from pathlib import Path
from zoneinfo import ZoneInfo

from saltern.config.hours import is_within
from saltern.config.loading import read_toml
from saltern.config.tables import Alerts, BenchConfig
from saltern.publish.credentials import secret

FILE = "whom-to-alert.json"


@dataclass(frozen=True)
class Listeners:
    """Whom to alert, and when not."""

    bench: str
    addresses: tuple[str, ...]  # secret
    quiet: tuple[tuple[time, time], ...]
    time_zone: str

    def sleeping(self, at: datetime) -> bool:
        """Return whether these are their quiet hours."""
        return is_within(at.astimezone(ZoneInfo(self.time_zone)).time(), self.quiet)


def keep_listeners(runtime: Path, config: BenchConfig, folder: Path) -> None:
    """Leave whom the bench file names, for its user alone; a folder that takes nothing is no reason to stop.

    Raises
    ------
    ConfigError
        The credential cannot be used.
    """
    found = _of(config.name, config.alerts, config.schedule.time_zone, folder)
    body = {
        "bench": found.bench,
        "addresses": found.addresses,
        "quiet": [[begin.isoformat(), end.isoformat()] for begin, end in found.quiet],
        "time_zone": found.time_zone,
    }
    partial = runtime / f"{FILE}.partial"
    with suppress(OSError):
        partial.unlink(missing_ok=True)
        with os.fdopen(os.open(partial, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8") as file:
            json.dump(body, file)
        partial.replace(runtime / FILE)


def listeners(runtime: Path, bench_file: Path) -> Listeners:
    """Return whom the last life has left, or else whom the bench file names, whatever else in that file is wrong.

    Raises
    ------
    ConfigError
        The bench file is not TOML, or the credential cannot be used.
    ValueError
        The bench file's table of alerts is none.
    """
    try:
        kept = json.loads((runtime / FILE).read_text(encoding="utf-8"))
        quiet = tuple((time.fromisoformat(begin), time.fromisoformat(end)) for begin, end in kept["quiet"])
        return Listeners(kept["bench"], tuple(kept["addresses"]), quiet, kept["time_zone"])
    except (OSError, ValueError, KeyError, TypeError):
        table = read_toml(bench_file)
    alerts = Alerts.model_validate(table.get("alerts", {}))
    zone = table.get("schedule", {}).get("time_zone", "UTC")
    return _of(str(table.get("name", bench_file.stem)), alerts, zone, bench_file.parent)


def _of(bench: str, alerts: Alerts, time_zone: str, folder: Path) -> Listeners:
    text = "" if alerts.urls_file is None else secret(alerts.urls_file, folder)
    return Listeners(bench, tuple(text.splitlines()), alerts.quiet, time_zone)
