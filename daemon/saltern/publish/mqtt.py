"""Results and alerts to the keeper's own broker: at least once, in order, each with the number it has in the records.

`TOPICS` says what goes where. What a broker has acknowledged is kept as a number, so that after an outage or a restart
the outlet goes on where it was: nothing is lost, and what is sent twice carries the same `id`.
"""

import json
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import structlog
from pydantic import Field

from saltern.chemistry.alkalinity_unit import AlkalinityUnit
from saltern.config.tables import Table
from saltern.model.alert import Alert
from saltern.publish.credentials import secret
from saltern.publish.discovery import announcement
from saltern.publish.outlet import OutletKind, Rounds, Surroundings
from saltern.publish.tank_topics import AdviceTable, advice_json, consumption_json, tank_json
from saltern.records.as_json import determination_json
from saltern.records.store import Store
from saltern.report.words import per_umol_kg

if TYPE_CHECKING:  # a bench without a broker needs no library for one
    import paho.mqtt.client as paho

OUTLET = "mqtt"
AT_LEAST_ONCE = 1
LOOK_EVERY_S = 1.0
AFTER_FAILURE_S = 15.0
ACKNOWLEDGED_WITHIN_S = 15.0
AT_A_TIME = 50
RECONNECT_S = (1, 60)


class Topic(NamedTuple):
    """One topic of a bench, below `BASE/BENCH/`."""

    kept: bool  # retained by the broker
    text: str


TOPICS = {
    "result": Topic(True, "the newest determination, of whatever water"),
    "alert": Topic(False, "each alert, once"),
    "status": Topic(True, "how the bench is, each minute; its `newest` is the tank's newest reportable result"),
    "tank": Topic(True, "what the tank consumes, where it goes, what changed; as calculated after each result"),
    "advice": Topic(True, "what to dose, where `[outlets.mqtt.advice]` asks for it; empty once the service has ended"),
    "state": Topic(
        True, "`online` while the control loop runs, else `offline`: by the last will if the network is gone"
    ),
}


class Mqtt(Table):
    """A broker of the keeper's own. Results and alerts go out; no commands come in."""

    host: str
    port: int = Field(default=1883, ge=1, le=65535)
    base: str = Field(default="saltern", pattern=r"^[^#+\s]+$", description="first part of every topic")
    user: str | None = None
    password_file: str | None = Field(default=None, description="credential: a file that only the service may read")
    tls: bool = False
    ca_file: str | None = None
    discovery_prefix: str | None = Field(
        default=None,
        pattern=r"^[^#+\s/]+$",
        description="where your home automation listens for devices that announce themselves; none: not announced",
    )
    advice: AdviceTable | None = None


class MqttOutlet:
    """Sends until it is closed, in threads of its own.

    Parameters
    ----------
    config, bench, unit, folder
        The broker, the bench's name, in which unit its keeper reads alkalinity, and the folder of its file (for
        credentials).
    store
        The records; read for what is new, written for what was acknowledged.
    alive
        Whether the bench's control loop runs: a network thread that lives on must not say so for it.

    Raises
    ------
    ConfigError
        A credential cannot be used.
    ImportError
        paho is not installed.
    """

    def __init__(
        self, config: Mqtt, bench: str, unit: AlkalinityUnit, folder: Path, store: Store, alive: Callable[[], bool]
    ) -> None:
        import paho.mqtt.client as paho
        from paho.mqtt.enums import CallbackAPIVersion

        self._store, self._alive = store, alive
        self._said: str | None = None  # the state that the broker has of us
        self._status: dict[str, Any] | None = None
        self._shown: dict[str, Any] | None = None  # the one that the broker has of us
        self._tank: dict[str, Any] | None = None  # likewise
        self._advice = config.advice
        self._topic = f"{config.base}/{bench}"
        self._log = structlog.get_logger("saltern.mqtt")
        self._prefix, self._bench, self._unit = config.discovery_prefix, bench, unit
        for kind in ("result", "alert"):
            store.acknowledged(OUTLET, kind)  # a new outlet begins here, not where it first reaches the broker
        self._client = paho.Client(CallbackAPIVersion.VERSION2, client_id=f"saltern-{bench}")
        if config.user is not None:
            password = None if config.password_file is None else secret(config.password_file, folder)
            self._client.username_pw_set(config.user, password)
        if config.tls:
            self._client.tls_set(ca_certs=None if config.ca_file is None else str(folder / config.ca_file))
        self._client.will_set(f"{self._topic}/state", "offline", AT_LEAST_ONCE, retain=True)
        self._client.on_connect = self._connected
        self._client.on_disconnect = self._disconnected
        self._client.reconnect_delay_set(*RECONNECT_S)
        self._client.connect_async(config.host, config.port, keepalive=30)
        self._client.loop_start()
        self._rounds = Rounds(OUTLET, self._look, LOOK_EVERY_S, AFTER_FAILURE_S)
        self._rounds.start()

    def update(self, status: dict[str, Any]) -> None:
        """Take over the newest status; results and alerts are read from the records, so that none is missed."""
        self._status = status

    def close(self) -> None:
        """Say goodbye and stop; what is unsent waits for the next start."""
        self._rounds.close(within_s=2.0)
        if self._client.is_connected():
            if self._advice is not None:  # an empty message: the broker forgets what it kept
                self._client.publish(f"{self._topic}/advice", None, AT_LEAST_ONCE, retain=True)
            self._client.publish(f"{self._topic}/state", "offline", AT_LEAST_ONCE, retain=True).wait_for_publish(2.0)
        self._client.disconnect()
        self._client.loop_stop()

    def _connected(self, client: "paho.Client", _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            self._log.warning("mqtt.refused", reason=str(reason))
            return
        self._log.info("mqtt.connected")
        self._announce()
        self._said = self._shown = self._tank = None  # all is said anew: the last will may have spoken meanwhile

    def _announce(self) -> None:
        if self._prefix is not None:
            topic, payload = announcement(self._prefix, self._topic, self._bench, self._unit)
            self._client.publish(topic, json.dumps(payload), AT_LEAST_ONCE, retain=True)

    def _disconnected(self, _client: "paho.Client", _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        self._log.info("mqtt.disconnected", reason=str(reason))

    def _look(self) -> bool:
        if self._client.is_connected():
            self._say_how_it_is()
            self._send_what_is_new()
        return True

    def _say_how_it_is(self) -> None:
        """Publish state and status, retained, where they are new; nobody waits for the broker's word."""
        state = "online" if self._alive() else "offline"
        if state != self._said:
            self._client.publish(f"{self._topic}/state", state, AT_LEAST_ONCE, retain=True)
            self._said = state
        status = self._status
        if status is not None and status is not self._shown:
            self._shown = status
            unit = AlkalinityUnit(status["alkalinity_unit"])
            if unit is not self._unit:  # the bench file was taken up anew: the numbers that follow are in another unit
                self._unit = unit
                self._announce()
            payload = json.dumps(status_json(status))
            self._client.publish(f"{self._topic}/status", payload, AT_LEAST_ONCE, retain=True)
            self._say_how_the_tank_is(status)

    def _say_how_the_tank_is(self, status: dict[str, Any]) -> None:
        """Publish the tank's picture, retained, where it was reckoned anew."""
        tank = status["tank"]
        if tank is None or tank is self._tank:
            return
        self._tank = tank
        self._client.publish(f"{self._topic}/tank", json.dumps(tank_json(tank)), AT_LEAST_ONCE, retain=True)
        if self._advice is not None:
            payload = json.dumps(advice_json(tank, self._advice))
            self._client.publish(f"{self._topic}/advice", payload, AT_LEAST_ONCE, retain=True)

    def _send_what_is_new(self) -> None:
        """Send alerts, which come from memory, and then results, which wait for the disk."""
        for number, alert in self._store.alerts_after(self._store.acknowledged(OUTLET, "alert"), AT_A_TIME):
            if not self._sent(f"{self._topic}/alert", alert_json(number, alert), retain=False):
                return
            self._store.acknowledge(OUTLET, "alert", number)
        for number, d in self._store.results_after(self._store.acknowledged(OUTLET, "result"), AT_A_TIME):
            payload = {"schema_version": 1, **determination_json(number, d)}
            if not self._sent(f"{self._topic}/result", payload, retain=True):
                return
            self._store.acknowledge(OUTLET, "result", number)

    def _sent(self, topic: str, payload: dict[str, Any], *, retain: bool) -> bool:
        from paho.mqtt.client import MQTT_ERR_SUCCESS

        if self._rounds.ending:
            return False
        message = self._client.publish(topic, json.dumps(payload), AT_LEAST_ONCE, retain=retain)
        if message.rc != MQTT_ERR_SUCCESS:
            return False
        try:
            message.wait_for_publish(ACKNOWLEDGED_WITHIN_S)
        except (ValueError, RuntimeError):
            return False
        return message.is_published()


def alert_json(number: int, alert: Alert) -> dict[str, Any]:
    """Return an alert as it is published."""
    return {
        "schema_version": 1,
        "id": number,
        "at_utc": alert.at.isoformat(timespec="seconds"),
        "severity": alert.severity.label,
        "for_the_keeper": alert.severity.for_the_keeper,
        "code": alert.code,
        "text": alert.text,
    }


def status_json(status: dict[str, Any]) -> dict[str, Any]:
    """Return what is published of a status (see `saltern.running.shown`): what whoever keeps many benches looks at."""
    running, newest, last = status["running"], status["newest"], status["last"]
    unit = AlkalinityUnit(status["alkalinity_unit"])
    return {
        "schema_version": 1,
        "at_utc": status["at_utc"],
        "alive_at": status["alive_at"],
        "what": None if running is None else running["what"],
        "phase": "idle" if running is None else running["phase"],
        "trip": [row["name"] for row in status["interlocks"] if row["kind"] == "trip"],
        "alerts": [
            {"code": one["code"], "for_the_keeper": one["for_the_keeper"], "text": one["text"]}
            for one in status["alerts"]
        ],
        "bottle": {"left_ml": status["titrant"]["left_ml"][0], "days_left": status["titrant"]["days_left"]},
        "waste": {"room_ml": status["waste"]["room_ml"], "days_left": status["waste_days"]},
        "next": status["next"],
        "newest": None if newest is None else _newest_json(newest, unit),
        "consumption": consumption_json(status["tank"], unit),
        "last": None
        if last is None
        else {**_which(last), "source": last["source"], "verdict": last["alkalinity"]["verdict"]},
        "parked": status["parked"],
        "held_until": status["held_until"],
        "away": status["away"],
    }


def _which(result: dict[str, Any]) -> dict[str, Any]:
    return {"id": result["id"], "started_utc": result["started_utc"]}


def _newest_json(newest: dict[str, Any], unit: AlkalinityUnit) -> dict[str, Any]:
    """Return what is published of the tank's newest reportable result, k = 1; `as_read` is in the keeper's unit."""
    alkalinity = newest["alkalinity"]
    u_dkh = None if alkalinity["u"] is None else alkalinity["u"] * alkalinity["dkh"] / alkalinity["umol_per_kg"]
    shown = ("dkh", "umol_per_kg", "u", "verdict")
    factor = per_umol_kg(alkalinity, unit)
    read = {
        "unit": unit.value,
        "value": factor * alkalinity["umol_per_kg"],
        "u": None if alkalinity["u"] is None else factor * alkalinity["u"],
    }
    return {
        **_which(newest),
        "alkalinity": {**{key: alkalinity[key] for key in shown}, "u_dkh": u_dkh, "as_read": read},
        **{name: {key: newest[name][key] for key in ("value", "u", "verdict")} for name in ("ph_total", "salinity")},
        "temperature_c": newest["temperature_c"],
    }


def _open(table: Mqtt, around: Surroundings) -> MqttOutlet:
    config = around.current()
    return MqttOutlet(table, config.name, config.alkalinity_unit, around.folder, around.store, around.is_alive)


KIND = OutletKind(_open, Mqtt, extra="mqtt", reaches=lambda table: f"the broker on {table.host}")
