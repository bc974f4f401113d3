"""Which alerts stand: each is raised once, and again until somebody has taken note of it, or it is taken back."""

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime

from saltern.model import codes
from saltern.model.alert import Alert, Severity
from saltern.model.said_time import written_time
from saltern.ports import Clock

MOST_REMEMBERED = 1000

WITHDRAWN = "withdrawn"
STILL, WORSE = "still, since ", "worse: "
"""What the text of an alert that is raised again begins with."""


class Alerting:
    """Raises each thing once, again after it has cleared, and at intervals until it is acknowledged or gone.

    It waits for nothing: it is called in the middle of scans.

    Parameters
    ----------
    clock
        The time that an alert carries.
    hears
        Where an alert goes: outlets, the log, whoever follows over the socket.
    zone
        The time zone that the bench stands in, as its file has it now.
    """

    def __init__(self, clock: Clock, hears: Callable[[Alert], None], zone: Callable[[], str]) -> None:
        self._clock = clock
        self._zone = zone
        self._hears = hears
        self._standing: dict[str, Alert] = {}
        self._raised_s: dict[str, float] = {}
        self._raised_steps: dict[str, float] = {}
        self._acknowledged: set[str] = set()
        self.raised: list[Alert] = []

    @property
    def standing(self) -> tuple[Alert, ...]:
        return tuple(self._standing.values())

    def alert(self, code: str, text: str, severity: Severity | None = None, steps: float = 0.0) -> None:
        """Raise an alert as of now; one that stands takes up the newer text, which its repeats carry.

        How severe it is, the table of codes says; `severity` is that of an interlock's row, or of a death. One that is
        worse by a whole step than when it was last raised is raised again at once, acknowledged or not.
        """
        known = codes.of_alert(code).severity if severity is None else severity
        severe = Severity.ERROR if known is None else known
        self.raise_once(Alert(self._clock.now(), self._clock.monotonic(), severe, code, text), steps)

    def once(self, code: str, text: str, severity: Severity | None = None) -> None:
        """Raise an alert of what is over, or stands elsewhere: it is not repeated, and the next one is raised too."""
        self.alert(code, text, severity)
        self.clear(code)

    def stands(self, condition: bool | None, code: str, text: str, steps: float = 0.0, over: str = "") -> None:
        """Raise an alert while a condition holds, and clear it when it does not; None leaves it as it is.

        `over` takes it back in words, if it stood.
        """
        if condition or (condition is None and code in self._standing):
            self.alert(code, text, steps=steps)
        elif condition is not None:
            self._take_back(code, over)

    def take_up(self, alert: Alert, sent_at_s: float, steps: float = 0.0, *, acknowledged: bool = False) -> None:
        """Let stand again what an earlier life of the service has raised, and last sent at a monotonic time."""
        if acknowledged:
            self._acknowledged.add(alert.code)
        self._standing[alert.code] = alert
        self._raised_s[alert.code] = sent_at_s
        self._raised_steps[alert.code] = steps

    def raise_once(self, alert: Alert, steps: float = 0.0) -> None:
        known = self._standing.get(alert.code)
        if known is None:
            self._standing[alert.code] = alert
            self._raised_s[alert.code] = alert.at_s
            self._raised_steps[alert.code] = steps
            self._report(alert)
            return
        if known.text != alert.text:
            self._standing[alert.code] = replace(known, severity=alert.severity, text=alert.text)
        if steps >= self._raised_steps[alert.code] + 1.0:
            self._acknowledged.discard(alert.code)
            self._raised_s[alert.code] = alert.at_s
            self._raised_steps[alert.code] = steps
            self._report(replace(alert, text=f"{WORSE}{alert.text}"))

    def clear(self, code: str) -> None:
        if self._standing.pop(code, None) is None:
            return
        self._raised_s.pop(code, None)
        self._raised_steps.pop(code, None)
        self._acknowledged.discard(code)

    def _take_back(self, code: str, over: str) -> None:
        """Clear an alert; where it stood, and there are words for it, say that it is over."""
        stood = self._standing.get(code)
        self.clear(code)
        if stood is not None and over:
            since = written_time(stood.at, self._zone())
            self.once(WITHDRAWN, f"over: {code}, raised {since}. {over}")

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
                since = written_time(alert.at, self._zone())
                self._report(Alert(now, now_s, alert.severity, code, f"{STILL}{since}: {alert.text}"))

    def _report(self, alert: Alert) -> None:
        self.raised.append(alert)
        del self.raised[:-MOST_REMEMBERED]
        self._hears(alert)
