"""The picture of the tank as it stood after the newest result: reckoned once a result, shown at every look."""

from datetime import datetime, timedelta
from typing import Any

from saltern.config.tank import TankTable

FRESH_FOR = timedelta(days=1.5)
"""As long as a result counts for advice (`saltern.tank.advice`): what is older says nothing of today."""


class TankSeen:
    """Owns the newest picture; one thread reckons it, others read it."""

    def __init__(self) -> None:
        self._kept: tuple[dict[str, Any], TankTable] | None = None  # replaced, never changed

    @property
    def empty(self) -> bool:
        """Whether none has been reckoned since the service began."""
        return self._kept is None

    def knows(self, tank: TankTable) -> bool:
        """Return whether a picture has been reckoned since the service began, by this table of the bench file."""
        return self._kept is not None and self._kept[1] == tank

    def take(self, picture: dict[str, Any], tank: TankTable) -> None:
        """Take over a picture, as `saltern tank --json` prints it, and the table that it was reckoned by."""
        self._kept = (picture, tank)

    def now(self, now: datetime, tank: TankTable) -> dict[str, Any] | None:
        """Return the picture, or None where there is none, or it is too old, or band and target were others."""
        kept = self._kept
        if kept is None or kept[1] != tank or now - datetime.fromisoformat(kept[0]["at_utc"]) > FRESH_FOR:
            return None
        return kept[0]
