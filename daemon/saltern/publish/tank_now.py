"""What several outlets show of the tank: its newest accepted result, and the picture of its last days."""

from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from saltern.config.tables import BenchConfig
from saltern.model.determination import Determination, Source
from saltern.model.verdict import REPORTABLE
from saltern.ports import Clock
from saltern.records.as_json import determination_json
from saltern.records.opening import open_for_reading
from saltern.records.store import IN_MEMORY, Store

if TYPE_CHECKING:  # an outlet that draws nothing needs no library for it
    from matplotlib.figure import Figure

MOST_RESULTS = 200
"""More than three days hold at the most frequent schedule, repeats included."""


@dataclass(frozen=True)
class TankNow:
    """The tank's results as JSON, oldest first, and the newest accepted one with its change."""

    results: list[Determination]
    newest: dict[str, Any] | None


@contextmanager
def reading(store: Store, clock: Clock) -> Iterator[Store]:
    """Open a connection of the outlet's own: what it reads must not hold up who writes."""
    if store.where == IN_MEMORY:
        yield store
        return
    with closing(open_for_reading(store.where, clock)) as own:
        yield own


def tank_now(store: Store) -> TankNow:
    """Return what the records say of the tank.

    Raises
    ------
    StorageError
        They cannot be read.
    """
    rows = [(number, d) for number, d in store.results(MOST_RESULTS)[::-1] if d.source is Source.TANK]
    results = [d for _, d in rows]
    newest = next((row for row in reversed(rows) if _counts(row[1])), None)
    return TankNow(results, None if newest is None else determination_json(*newest, past=results))


def last_days(store: Store, config: BenchConfig, results: list[Determination], now: datetime) -> "Figure":
    """Return the band chart.

    Raises
    ------
    ImportError
        matplotlib is not installed.
    """
    from saltern.report.band_chart import SHOWN, Band, band_chart

    tank, alerts = config.tank, config.alerts
    band = Band(alerts.low_dkh, alerts.high_dkh)
    if tank is not None:
        band = Band(tank.low_dkh, tank.high_dkh, tank.target_dkh)
    zone = ZoneInfo(config.schedule.time_zone)
    return band_chart(results, store.logged(now - SHOWN), band, config.alkalinity_unit, now, zone)


def _counts(d: Determination) -> bool:
    return d.alkalinity.value is not None and d.alkalinity.verdict in REPORTABLE
