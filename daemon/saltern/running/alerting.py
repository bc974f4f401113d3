"""Which alerts stand: each is told once, and again until somebody has taken note of it."""

from collections.abc import Callable
from datetime import datetime

from saltern.model.alert import Alert


class Alerting:
    """Tells each thing once, again after it has cleared, and at intervals until it is acknowledged or gone.

    Parameters
    ----------
    tell
        Where an alert goes: the log, the records, a screen.
    """

    def __init__(self, tell: Callable[[Alert], None]) -> None:
        self._tell = tell
        self._standing: dict[str, Alert] = {}
        self._told_s: dict[str, float] = {}
        self._acknowledged: set[str] = set()

    @property
    def standing(self) -> tuple[Alert, ...]:
        return tuple(self._standing.values())

    def raise_once(self, alert: Alert) -> None:
        if alert.code not in self._standing:
            self._standing[alert.code] = alert
            self._told_s[alert.code] = alert.at_s
            self._tell(alert)

    def clear(self, code: str) -> None:
        self._standing.pop(code, None)
        self._told_s.pop(code, None)
        self._acknowledged.discard(code)

    def acknowledge(self, code: str) -> bool:
        """Stop repeating an alert that stands; return whether it does."""
        if code not in self._standing:
            return False
        self._acknowledged.add(code)
        return True

    def repeat(self, now: datetime, now_s: float, every_s: float) -> None:
        """Tell again what has stood unacknowledged for an interval since it was last told."""
        for code, alert in list(self._standing.items()):
            if code not in self._acknowledged and now_s - self._told_s[code] >= every_s:
                self._told_s[code] = now_s
                since = f"{alert.at:%Y-%m-%d %H:%M} UTC"
                self._tell(Alert(now, now_s, alert.severity, code, f"still, since {since}: {alert.text}"))
