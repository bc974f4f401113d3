"""What outlets are given: the bench's status, and with it what is reckoned once a result and not at each look."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import structlog

from saltern.config.tables import BenchConfig
from saltern.errors import SalternError
from saltern.publish.tank_now import tank_now
from saltern.records.store import Store
from saltern.running.service import Service
from saltern.running.tank_picture import as_json, picture

RECKONED_EVERY_S = 3600.0
"""The picture of the tank follows the clock as well: a forecast an hour old is as good as a new one."""


class Shown:
    """Draws what outlets are given.

    Parameters
    ----------
    service, reader
        The running bench, and a connection to its records for reading alone.
    status
        Returns the bench's status.
    """

    def __init__(self, service: Service, reader: Store, status: Callable[[], dict[str, Any]]) -> None:
        self._service, self._reader, self._status = service, reader, status
        self._kept: tuple[object, float, dict[str, Any]] | None = None
        self._log = structlog.get_logger("saltern.shown")

    def draw(self) -> dict[str, Any]:
        """Return the status, and with it `alive_at`, `newest` and `tank`.

        `alive_at` is when the control loop scanned last (ISO 8601, UTC), `newest` the newest accepted determination of
        the tank, `tank` what `saltern tank --json` prints; None where there is none.
        """
        status, service = self._status(), self._service
        silent_s = max(0.0, service.clock.monotonic() - service.bench.guard.scanned_s)
        alive_at = service.clock.now() - timedelta(seconds=silent_s)
        return {
            **status,
            "alive_at": alive_at.isoformat(timespec="seconds"),
            **self._reckoned_once(None if status["last"] is None else status["last"]["id"]),
        }

    def _reckoned_once(self, result: int | None) -> dict[str, Any]:
        """Return what is reckoned anew after a result, a new bench file, or an hour."""
        config, now_s = self._service.config, self._service.clock.monotonic()
        rests_on = (result, config.tank)
        if self._kept is None or self._kept[0] != rests_on or now_s - self._kept[1] > RECKONED_EVERY_S:
            found = {"newest": tank_now(self._reader).newest, "tank": self._tank(config)}
            self._kept = rests_on, now_s, found
        return self._kept[2]

    def _tank(self, config: BenchConfig) -> dict[str, Any] | None:
        if config.tank is None:
            return None
        try:
            found = picture(self._reader, config, self._service.clock.now())
        except SalternError as error:
            self._log.error("tank.not_reckoned", what=error.what, remedy=error.remedy)
            return None
        except Exception:  # noqa: BLE001 - a mistake in it must not cost the status that carries the alerts
            self._log.exception("tank.not_reckoned")
            return None
        return None if found is None else as_json(found, config.tank)
