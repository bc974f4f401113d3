"""The newest values as OpenMetrics, in base units: a text file for a node's exporter, and on loopback when asked."""

from pathlib import Path
from typing import Any

import structlog
from pydantic import Field

from saltern.config.tables import Table
from saltern.errors import ConfigError
from saltern.publish.outlet import OutletKind, Surroundings

LOOPBACK = "127.0.0.1"


class Metrics(Table):
    """OpenMetrics, for a time-series database that asks."""

    textfile: str | None = Field(default=None, description="rewritten whole after each determination")
    port: int | None = Field(default=None, ge=1, le=65535, description="served on loopback alone")


class MetricsOutlet:
    """Gauges of one bench.

    Parameters
    ----------
    config, bench, folder
        Where to, the bench's name, and the folder of its file.

    Raises
    ------
    ConfigError
        The port is taken.
    ImportError
        prometheus_client is not installed.
    """

    def __init__(self, config: Metrics, bench: str, folder: Path) -> None:
        from prometheus_client import CollectorRegistry, Counter, Gauge, start_http_server

        self._textfile = None if config.textfile is None else folder / config.textfile
        self._registry = CollectorRegistry()
        self._bench = bench
        self._log = structlog.get_logger("saltern.metrics")
        self._gauges = {
            name: Gauge(name, text, ["bench"], registry=self._registry)
            for name, text in (
                ("saltern_alkalinity_moles_per_kilogram", "Total alkalinity of the newest believed determination"),
                ("saltern_alkalinity_uncertainty_moles_per_kilogram", "Its standard uncertainty"),
                ("saltern_sample_ph_total", "pH of the sample, total scale"),
                ("saltern_sample_salinity", "Practical salinity of the sample"),
                ("saltern_sample_temperature_celsius", "Temperature of the sample"),
                ("saltern_determination_timestamp_seconds", "When the newest determination began"),
                ("saltern_titrant_litres", "Titrant left, at least"),
                ("saltern_waste_room_litres", "Room in the waste container, at least"),
                ("saltern_vessel_litres", "Liquid in the vessel, at most"),
                ("saltern_alerts", "Alerts that stand"),
            )
        }
        self._acting = Gauge(
            "saltern_interlock_acting", "Interlocks that act", ["bench", "interlock"], registry=self._registry
        )
        labels = ["bench", "device"]
        self._up = Gauge("saltern_device_up", "Whether a device's port is there", labels, registry=self._registry)
        self._returns = Counter(
            "saltern_device_returns", "How often a device has come back", labels, registry=self._registry
        )
        self._returned: dict[str, int] = {}
        self._server: Any = None
        if config.port is not None:
            try:
                self._server = start_http_server(config.port, addr=LOOPBACK, registry=self._registry)
            except OSError as error:
                raise ConfigError(
                    f"the metrics cannot be served ({error.strerror})",
                    where=f"metrics.port {config.port}",
                    remedy="Choose a free port",
                ) from error

    def update(self, status: dict[str, Any]) -> None:
        """Take over a status (see `saltern.running.status`), and rewrite the text file whole."""
        last = status["last"]
        if last is not None:
            a = last["alkalinity"]
            if a["verdict"] in ("accepted", "provisional"):
                self._set("saltern_alkalinity_moles_per_kilogram", a["umol_per_kg"], 1e-6)
                self._set("saltern_alkalinity_uncertainty_moles_per_kilogram", a["u"], 1e-6)
            if last["ph_total"]["verdict"] == "accepted":
                self._set("saltern_sample_ph_total", last["ph_total"]["value"])
            if last["salinity"]["verdict"] == "accepted":
                self._set("saltern_sample_salinity", last["salinity"]["value"])
            self._set("saltern_sample_temperature_celsius", last["temperature_c"])
            self._set("saltern_determination_timestamp_seconds", last["started_s"])
        self._set("saltern_titrant_litres", status["titrant"]["left_ml"][0], 1e-3)
        self._set("saltern_waste_room_litres", status["waste"]["room_ml"], 1e-3)
        self._set("saltern_vessel_litres", status["vessel_ml"][1], 1e-3)
        self._set("saltern_alerts", len(status["alerts"]))
        self._acting.clear()
        for row in status["interlocks"]:
            self._acting.labels(self._bench, row["name"]).set(1)
        for device in status["devices"]:
            place, returns = device["place"], device["returns"]
            self._up.labels(self._bench, place).set(device["up"])
            self._returns.labels(self._bench, place).inc(returns - self._returned.get(place, 0))
            self._returned[place] = returns
        if self._textfile is not None:
            from prometheus_client import write_to_textfile

            try:
                write_to_textfile(str(self._textfile), self._registry)
            except OSError as error:  # a full disk must not cost a determination
                self._log.error("metrics.not_written", where=str(self._textfile), reason=error.strerror)

    def close(self) -> None:
        if self._server is not None:
            server, thread = self._server
            server.shutdown()
            server.server_close()
            thread.join(timeout=2.0)

    def _set(self, name: str, value: float | None, factor: float = 1.0) -> None:
        if value is not None:
            self._gauges[name].labels(self._bench).set(value * factor)


def _open(table: Metrics, around: Surroundings) -> MetricsOutlet:
    return MetricsOutlet(table, around.current().name, around.folder)


KIND = OutletKind(_open, Metrics, extra="metrics")
