"""Devices behind ports: which of them are not there."""

import structlog

from saltern.bench.bench import Bench
from saltern.ports import Clock, Connection
from saltern.running.alerting import Alerting
from saltern.running.at_work import Hears

GONE_FOR_S = 10.0
"""At work a disturbed hub that is back in 1 to 2 s (assumed) is no news; at rest the bench itself looks."""


class Ports:
    """Owns since when each device is seen to be gone."""

    def __init__(self, bench: Bench, clock: Clock, alerting: Alerting, hears: Hears) -> None:
        self._bench = bench
        self._clock = clock
        self._alerting = alerting
        self._hears = hears
        self._devices = bench.devices.reconnecting()
        self._gone_s: dict[str, float] = {}
        self._seen: dict[str, tuple[bool, int]] = {}
        self._log = structlog.get_logger("saltern").bind(bench=bench.config.name)

    def look(self, *, at_rest: bool) -> None:
        """Alert once of each port that is not there; devices on one line are alerted of together."""
        if at_rest:
            found = self._bench.connections  # which looks by itself then
        else:
            found = {place: device.connection() for place, device in self._devices.items()}
        seen = {place: (connection.up, connection.returns) for place, connection in found.items()}
        if seen == self._seen and not self._gone_s:
            return  # all are there, as they were
        now_s = self._clock.monotonic()
        self._gone_s = {place: self._gone_s.get(place, now_s) for place, one in found.items() if not one.up}
        lines: dict[str, list[str]] = {}
        for place, connection in found.items():
            lines.setdefault(connection.where, []).append(place)
        for where, places in lines.items():
            gone_s = self._gone_s.get(places[0])
            if gone_s is None or at_rest or now_s - gone_s >= GONE_FOR_S:
                self._report(where, places, found[places[0]])
        if seen != self._seen:
            self._seen = seen
            self._hears("devices", {"absent": [place for place, (up, _) in seen.items() if not up]})

    def _report(self, where: str, places: list[str], connection: Connection) -> None:
        code = f"absent-{places[0].replace('.', '-')}"
        if connection.up and any(alert.code == code for alert in self._alerting.standing):
            self._log.info("device.returned", places=places, where=where, returns=connection.returns)
        text = f"{', '.join(places)} at {where}: {connection.trouble}. {connection.remedy}"
        self._alerting.stands(not connection.up, code, text)
