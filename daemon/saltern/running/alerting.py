"""Which alerts stand: each is raised once, and again until somebody has taken note of it."""

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime

from saltern.model import codes
from saltern.model.alert import Alert, Severity
from saltern.ports import Clock

MOST_REMEMBERED = 1000


class Alerting:
    """Raises each thing once, again after it has cleared, and at intervals until it is acknowledged or gone.

    It waits for nothing: it is called in the middle of scans.

    Parameters
    ----------
    clock
        The time that an alert carries.
    hears
        Where an alert goes: outlets, the log, whoever follows over the socket.
    """

    def __init__(self, clock: Clock, hears: Callable[[Alert], None]) -> None:
        self._clock = clock
        self._hears = hears
        self._standing: dict[str, Alert] = {}
        self._raised_s: dict[str, float] = {}
        self._acknowledged: set[str] = set()
        self.told: list[Alert] = []

    @property
    def standing(self) -> tuple[Alert, ...]:
        return tuple(self._standing.values())

    def alert(self, code: str, text: str, severity: Severity | None = None) -> None:
        """Raise an alert as of now; one that stands takes up the newer text, which its repeats carry.

        How severe it is, the table of codes says; `severity` is that of an interlock's row, or of a death.
        """
        known = codes.of_alert(code).severity if severity is None else severity
        severe = Severity.ERROR if known is None else known
        self.raise_once(Alert(self._clock.now(), self._clock.monotonic(), severe, code, text))

    def once(self, code: str, text: str, severity: Severity | None = None) -> None:
        """Raise an alert of what is over, or stands elsewhere: it is not repeated, and the next one is raised too."""
        self.alert(code, text, severity)
        self.clear(code)

    def stands(self, condition: bool, code: str, text: str) -> None:
        """Raise an alert while a condition holds, and clear it when it does not."""
        if condition:
            self.alert(code, text)
        else:
            self.clear(code)

    def raise_once(self, alert: Alert) -> None:
        known = self._standing.get(alert.code)
        if known is None:
            self._standing[alert.code] = alert
            self._raised_s[alert.code] = alert.at_s
            self._tell(alert)
        elif known.text != alert.text:
            self._standing[alert.code] = replace(known, severity=alert.severity, text=alert.text)

    def clear(self, code: str) -> None:
        self._standing.pop(code, None)
        self._raised_s.pop(code, None)
        self._acknowledged.discard(code)

    def acknowledge(self, code: str) -> bool:
        """Stop repeating an alert that stands; return whether it does."""
        if code not in self._standing:
            return False
        self._acknowledged.add(code)
        return True

    def repeat(self, now: datetime, now_s: float, every_s: float) -> None:
        """Raise again what has stood unacknowledged for an interval since it was last raised."""
        for code, alert in list(self._standing.items()):
            if code not in self._acknowledged and now_s - self._raised_s[code] >= every_s:
                self._raised_s[code] = now_s
                since = f"{alert.at:%Y-%m-%d %H:%M} UTC"
                self._tell(Alert(now, now_s, alert.severity, code, f"still, since {since}: {alert.text}"))

    def _tell(self, alert: Alert) -> None:
        self.told.append(alert)
        del self.told[:-MOST_REMEMBERED]
        self._hears(alert)
