"""Composes the morning message, with its small chart where matplotlib is installed."""

from typing import Any
from zoneinfo import ZoneInfo

from saltern.publish.outlet import Surroundings
from saltern.publish.tank_now import last_days, reading, tank_now
from saltern.report.morning import Message, morning
from saltern.report.standing import reasons


def breakfast(around: Surroundings, status: dict[str, Any]) -> tuple[Message, bytes | None]:
    """Return the message of this morning, and its chart as a PNG.

    Parameters
    ----------
    around
        What an outlet is opened with.
    status
        As outlets are given it.

    Raises
    ------
    StorageError
        The records cannot be read.
    """
    config, now = around.current(), around.clock.now()
    with reading(around.store, around.clock) as store:
        tank = tank_now(store)
        picture = None
        try:
            from saltern.report.charts import as_png

            picture = as_png(last_days(store, config, tank.results, now))
        except ImportError:  # the words go without it
            pass
    found = reasons(status, tank.newest, now, alive=around.is_alive(), no_result_h=config.alerts.no_result_h)
    return morning(status, tank.newest, found, now, ZoneInfo(config.schedule.time_zone)), picture
