"""What comes with time alone: a sign of life each day, and that no result has come for too long."""

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from saltern.config.tables import Alerts, BenchConfig
from saltern.model.alert import Alert
from saltern.model.determination import Determination, Source
from saltern.model.verdict import REPORTABLE
from saltern.running.watch.watched import Watched

LATE = timedelta(minutes=10)
"""A service that starts so long after the time of the heartbeat gives none that day."""


class NoResult:
    """Owns when the tank last gave a result that counts."""

    def __init__(self, now_s: float) -> None:
        self._accepted_s = now_s  # of a bench that never gave one: from its start

    def last_came(self, at_s: float) -> None:
        """Take up when the last one came in an earlier life of the service."""
        self._accepted_s = min(self._accepted_s, at_s)

    def heard(self, outcome: Determination, now_s: float) -> bool:
        """Take up an outcome; return whether it is a result of the tank that counts."""
        counts = outcome.alkalinity.verdict in REPORTABLE
        if counts and outcome.source is Source.TANK:
            self._accepted_s = now_s
            return True
        return False

    def look(self, rules: Alerts, now_s: float) -> Watched:
        return Watched(
            now_s - self._accepted_s > rules.no_result_h * 3600.0,
            "no-result",
            f"no accepted result for {rules.no_result_h:g} h: check `saltern status` and the log",
        )


class Heartbeat:
    """Owns on which day the last sign of life was given."""

    def __init__(self) -> None:
        self._given_on: date | None = None

    def look(self, config: BenchConfig, now: datetime, standing: Sequence[Alert]) -> str | None:
        """Return what is said once a day, at the keeper's time: that all is well, or what is not."""
        at = config.alerts.heartbeat
        if at is None:
            return None
        local = now.astimezone(ZoneInfo(config.schedule.time_zone))
        if local.time() < at or self._given_on == local.date():
            return None
        first, self._given_on = self._given_on is None, local.date()
        if first and local.replace(tzinfo=None) > datetime.combine(local.date(), at) + LATE:
            return None  # started later in the day: tomorrow is soon enough
        wrong = "; ".join(alert.text for alert in standing)
        return f"alive. {wrong or 'Nothing is wrong'}"
