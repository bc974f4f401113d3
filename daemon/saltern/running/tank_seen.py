"""The picture of the tank as it stood after the newest result: reckoned once a result, shown at every look."""

from datetime import datetime, timedelta
from typing import Any

FRESH_FOR = timedelta(days=1.5)
"""As long as a result counts for advice (`saltern.tank.advice`): what is older says nothing of today."""


class TankSeen:
    """Owns the newest picture; one thread reckons it, others read it."""

    def __init__(self) -> None:
        self._picture: dict[str, Any] | None = None  # replaced, never changed

    @property
    def known(self) -> bool:
        """Whether a picture has been reckoned since the service began."""
        return self._picture is not None

    def take(self, picture: dict[str, Any]) -> None:
        """Take over a picture, as `saltern tank --json` prints it."""
        self._picture = picture

    def now(self, now: datetime) -> dict[str, Any] | None:
        """Return the picture, or None where there is none, or it is too old to be shown."""
        found = self._picture
        if found is None or now - datetime.fromisoformat(found["at_utc"]) > FRESH_FOR:
            return None
        return found
