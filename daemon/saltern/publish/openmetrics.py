"""The newest values as OpenMetrics, in base units: a text file for a node's exporter, and on loopback when asked.

Names follow Prometheus' rules for them (https://prometheus.io/docs/practices/naming/): base units, spelled out, and
counters alone end in `_total`. They are written each minute: by `saltern_control_loop_timestamp_seconds` a scraper sees
whether the bench lives, however old its newest result is.
"""

import platform
from datetime import datetime
from pathlib import Path
from typing import Any, Literal, NamedTuple

import structlog
from pydantic import Field

from saltern import __version__
from saltern.chemistry.alkalinity_unit import AlkalinityUnit, from_dkh
from saltern.config.tables import Table
from saltern.errors import ConfigError
from saltern.publish.outlet import OutletKind, Surroundings

LOOPBACK = "127.0.0.1"
READABLE = 0o644
DAY_S = 86_400.0

GAUGES = {
    "saltern_alkalinity_moles_per_kilogram": "Total alkalinity, newest accepted of the tank",
    "saltern_alkalinity_uncertainty_moles_per_kilogram": "Its standard uncertainty",
    "saltern_sample_ph": "pH of the sample, total scale",
    "saltern_sample_salinity": "Practical salinity of the sample",
    "saltern_sample_temperature_celsius": "Temperature of the sample",
    "saltern_determination_timestamp_seconds": "When the tank's newest accepted determination began",
    "saltern_next_start_timestamp_seconds": "When the next determination is to begin",
    "saltern_control_loop_timestamp_seconds": "When the bench's control loop scanned last",
    "saltern_titrant_lasts_seconds": "How long the titrant lasts, at least, at today's schedule",
    "saltern_waste_lasts_seconds": "How long the waste container has room, at least",
    "saltern_titrant_litres": "Titrant left, at least",
    "saltern_waste_room_litres": "Room in the waste container, at least",
    "saltern_vessel_litres": "Liquid in the vessel, at most",
    "saltern_alerts": "Alerts that are active",
    "saltern_tank_consumption_moles_per_kilogram_per_second": (
        "Alkalinity that the tank takes up, over the shortest window of its picture"
    ),
    "saltern_tank_consumption_uncertainty_moles_per_kilogram_per_second": "Its standard uncertainty",
    "saltern_tank_leaves_band_timestamp_seconds": "When the tank is forecast to leave its band, if nothing changes",
}
"""Of a bench, by name; what is not known has no series."""


class Labelled(NamedTuple):
    """A metric with labels of its own, beside the bench's name."""

    kind: Literal["counter", "gauge"]
    labels: tuple[str, ...]
    text: str


LABELLED = {
    "saltern_interlock_acting": Labelled("gauge", ("interlock",), "Interlocks that act"),
    "saltern_build_info": Labelled("gauge", ("version", "python"), "What runs, always 1"),
    "saltern_device_up": Labelled("gauge", ("device",), "Whether a device's port is there"),
    "saltern_device_returns": Labelled("counter", ("device",), "How often a device has come back"),
}


class Metrics(Table):
    """OpenMetrics, for a time-series database that asks."""

    textfile: str | None = Field(default=None, description="rewritten whole each minute, readable for everybody")
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
        self._gauges = {name: Gauge(name, text, ["bench"], registry=self._registry) for name, text in GAUGES.items()}
        types = {"counter": Counter, "gauge": Gauge}
        labelled = {
            name: types[each.kind](name, each.text, ["bench", *each.labels], registry=self._registry)
            for name, each in LABELLED.items()
        }
        self._acting, self._up = labelled["saltern_interlock_acting"], labelled["saltern_device_up"]
        self._returns, built = labelled["saltern_device_returns"], labelled["saltern_build_info"]
        built.labels(bench, __version__, platform.python_version()).set(1)
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
        newest, following = status["newest"], status["next"]
        if newest is not None:
            self._set("saltern_alkalinity_moles_per_kilogram", newest["alkalinity"]["umol_per_kg"], 1e-6)
            self._set("saltern_alkalinity_uncertainty_moles_per_kilogram", newest["alkalinity"]["u"], 1e-6)
            self._set("saltern_sample_temperature_celsius", newest["temperature_c"])
            self._set("saltern_determination_timestamp_seconds", newest["started_s"])
            for name, quantity in (("saltern_sample_ph", "ph_total"), ("saltern_sample_salinity", "salinity")):
                trusted = newest[quantity]["verdict"] == "accepted"
                self._set(name, newest[quantity]["value"] if trusted else None)
        self._set("saltern_next_start_timestamp_seconds", None if following is None else _s(following["at_utc"]))
        self._set("saltern_control_loop_timestamp_seconds", _s(status["alive_at"]))
        self._set("saltern_titrant_lasts_seconds", status["titrant"]["days_left"], DAY_S)
        self._set("saltern_waste_lasts_seconds", status["waste_days"], DAY_S)
        self._set("saltern_titrant_litres", status["titrant"]["left_ml"][0], 1e-3)
        self._set("saltern_waste_room_litres", status["waste"]["room_ml"], 1e-3)
        self._set("saltern_vessel_litres", status["vessel_ml"][1], 1e-3)
        self._set("saltern_alerts", len(status["alerts"]))
        self._set_tank(status["tank"])
        self._acting.clear()
        for row in status["interlocks"]:
            self._acting.labels(self._bench, row["name"]).set(1)
        for device in status["devices"]:
            place, returns = device["place"], device["returns"]
            self._up.labels(self._bench, place).set(device["up"])
            self._returns.labels(self._bench, place).inc(returns - self._returned.get(place, 0))
            self._returned[place] = returns
        if self._textfile is not None:
            self._write(self._textfile)

    def _write(self, textfile: Path) -> None:
        """Replace the file whole, readable for an exporter that runs as another user."""
        from prometheus_client import generate_latest

        partial = textfile.with_name(f".{textfile.name}.partial")  # of another ending: no exporter takes it up
        try:
            partial.write_bytes(generate_latest(self._registry))
            partial.chmod(READABLE)
            partial.replace(textfile)
        except OSError as error:  # a full disk must not cost a determination
            self._log.error("metrics.not_written", where=str(textfile), reason=error.strerror)

    def close(self) -> None:
        if self._server is not None:
            server, thread = self._server
            server.shutdown()
            server.server_close()
            thread.join(timeout=2.0)

    def _set_tank(self, tank: dict[str, Any] | None) -> None:
        """Take over what is known of the tank (see `saltern.running.tank_picture`); what is not known has no gauge."""
        taken = None if tank is None else tank["consumption"]
        newest = None if taken is None or taken["too_early"] or not taken["windows"] else taken["windows"][0]
        for name, key in (("consumption", "value"), ("consumption_uncertainty", "u")):
            a_second = None
            if tank is not None and newest is not None:
                dkh = newest["consumption_dkh_per_day"][key] / DAY_S
                a_second = from_dkh(dkh, AlkalinityUnit.UMOL_KG, tank["salinity"])
            self._set(f"saltern_tank_{name}_moles_per_kilogram_per_second", a_second, 1e-6)
        ahead = None if tank is None else tank["forecast"]
        leaves = None if ahead is None or ahead["leaves_at_utc"] is None else _s(ahead["leaves_at_utc"])
        self._set("saltern_tank_leaves_band_timestamp_seconds", leaves)

    def _set(self, name: str, value: float | None, factor: float = 1.0) -> None:
        """Set a gauge; what is not known has none."""
        if value is not None:
            self._gauges[name].labels(self._bench).set(value * factor)
        else:
            self._gauges[name].clear()


def _s(at_utc: str) -> float:
    """Return a time of JSON in seconds since 1970."""
    return datetime.fromisoformat(at_utc).timestamp()


def _open(table: Metrics, around: Surroundings) -> MetricsOutlet:
    return MetricsOutlet(table, around.current().name, around.folder)


KIND = OutletKind(_open, Metrics, extra="metrics")
