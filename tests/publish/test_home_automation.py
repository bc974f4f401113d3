"""The announcement, judged by an implementation of the convention that we did not write: `make hub` installs it.

Nothing here reads the announcement: the implementation does, and says what it has made of it.
"""

import json
import shutil
import subprocess
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

import pytest

from saltern.chemistry.alkalinity_unit import AlkalinityUnit
from saltern.clock import RealClock
from saltern.model.alert import Severity
from saltern.publish.discovery import announcement
from saltern.publish.mqtt import Mqtt, MqttOutlet
from saltern.records.opening import open_store
from tests.nine_days import alert, nine_days, shown
from tests.processes import SALTERN, Service, begin, run, until
from tests.publish.test_discovery import RECORDED
from tests.publish.test_mqtt import broker
from tests.toml import to_toml
from tests.twin_bench import bench_table

__all__ = ["broker"]

ROOT = Path(__file__).parents[2]
HUB = ROOT / ".hub/bin/python"
FOUND = ROOT / ".hub/announcement.json"
PREFIX = "announce"
PROCESSOR_S = 120
PACE = 1500
NOTHING = (None, "unknown", "unavailable")
NUMBERS = {
    "alkalinity",
    "alkalinity_u",
    "consumption",
    "ph_total",
    "salinity",
    "temperature",
    "titrant_days",
    "waste_days",
}
ALWAYS_KNOWN = ("titrant_days", "waste_days", "alert")
VALUES = {"texts"}
"""Attributes that are values, and so not of the announcement."""

pytestmark = [
    pytest.mark.soak,
    pytest.mark.skipif(shutil.which("mosquitto") is None, reason="mosquitto is not installed"),
    pytest.mark.skipif(not HUB.exists(), reason="no implementation of the discovery convention is installed: make hub"),
]


class Hub:
    """A running home automation."""

    def __init__(self, folder, port):
        folder.mkdir()
        words = (HUB, Path(__file__).with_name("hub.py"), folder, port, PREFIX)
        pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "text": True}
        with (folder / "stderr").open("w") as complaints:
            self.process = begin(*words, processor_s=PROCESSOR_S, stderr=complaints, **pipes)
        self.judge = json.loads(self.process.stdout.readline())

    def ask(self):
        """Return what it has now; it must have logged nothing as a warning or worse."""
        self.process.stdin.write("\n")
        self.process.stdin.flush()
        said = json.loads(self.process.stdout.readline())
        assert said["logged"] == []
        return said

    def until(self, condition):
        """Return what it has, once that holds of its entities."""

        def holds():
            said = self.ask()
            return said if condition(said["entities"]) else None

        return until(holds, self.process)

    def close(self):
        with suppress(BrokenPipeError):
            self.process.stdin.close()
        self.process.stdout.close()
        self.process.wait()


@pytest.fixture
def hub(broker, tmp_path):
    made = Hub(tmp_path / "hub", broker.port)
    yield made
    made.close()


class Outlet:
    """A bench's outlet, as its service opens it: nine days of a reef, and last of all a reference was measured."""

    def __init__(self, folder, port):
        folder.mkdir()
        self.file = nine_days(folder)
        self.store = open_store(folder / "saltern.sqlite", RealClock())
        config = Mqtt(host="127.0.0.1", port=port, discovery_prefix=PREFIX)
        self.out = MqttOutlet(config, "kelp-room", AlkalinityUnit.DKH, folder, self.store, lambda: True)
        self.store.acknowledge("mqtt", "result", 0)  # all of it is news to this broker
        ((newest, _),) = self.store.results(1)
        until(lambda: self.store.acknowledged("mqtt", "result") == newest)

    def close(self):
        self.out.close()
        self.store.close()
        del self.out  # else its sockets wait for the collector


@pytest.fixture
def outlet(broker, tmp_path):
    made = Outlet(tmp_path / "bench", broker.port)
    yield made
    made.close()


def of(entities, key):
    return entities[f"saltern-kelp-room-{key}"]


def of_key(unique_id):
    return unique_id.removeprefix("saltern-kelp-room-")


def known(entities):
    return entities and all(one["state"] not in NOTHING for one in entities.values())


def settled(entities):
    """Return whether all are available, and those that every status has are known."""
    return (
        entities
        and all(one["state"] not in (None, "unavailable") for one in entities.values())
        and all(of(entities, key)["state"] != "unknown" for key in ALWAYS_KNOWN)
    )


def moment(text):
    """Return a time to the second, which is what it shows."""
    return datetime.fromisoformat(text).replace(microsecond=0)


def judged(hub, said):
    """Return what is kept of a run: who judged, when, what was asked, and what became of it, but for values."""
    topic, payload = announcement(PREFIX, "saltern/kelp-room", "kelp-room", AlkalinityUnit.DKH)
    for part in ("device", "origin"):
        del payload[part]["sw_version"]
    made = {
        name: {
            **{key: one[key] for key in ("entity_id", "category", "precision", "charted")},
            "attributes": {key: value for key, value in sorted(one["attributes"].items()) if key not in VALUES},
        }
        for name, one in sorted(said["entities"].items())
    }
    today = datetime.now(UTC).date().isoformat()
    return {"judge": hub.judge, "on": today, "asked": {"topic": topic, "payload": payload}, "made": made}


def test_it_takes_every_entity_without_a_word_and_makes_of_them_what_is_recorded(hub, outlet):
    outlet.out.update(shown(outlet.file))
    said = hub.until(known)
    found = judged(hub, said)
    FOUND.write_text(json.dumps(found, indent=1, ensure_ascii=False) + "\n")

    assert [one["name"] for one in said["devices"]] == ["Saltern kelp-room"]
    record = json.loads(RECORDED.read_text())
    for part in ("asked", "made"):
        assert found[part] == record[part], f"read {FOUND}, and where it is right copy it to {RECORDED}"


def test_units_and_state_classes_are_those_of_its_tables_and_every_number_has_a_chart(hub, outlet):
    outlet.out.update(shown(outlet.file))
    said = hub.until(known)["entities"]

    for name, one in said.items():
        assert one["outside_the_tables"] == [], name
        assert one["qos"] == 1, name
    assert {of_key(name) for name, one in said.items() if one["charted"]} == NUMBERS
    assert of(said, "ph_total")["attributes"]["device_class"] == "ph"
    assert of(said, "alkalinity")["attributes"]["unit_of_measurement"] == "dKH"


def test_it_shows_the_newest_accepted_of_the_tank_and_not_the_reference_that_was_measured_last(hub, outlet):
    status = shown(outlet.file)
    outlet.out.update(status)
    newest = status["newest"]
    said = hub.until(known)["entities"]

    assert status["last"]["source"] == "reference"
    assert float(of(said, "alkalinity")["state"]) == pytest.approx(newest["alkalinity"]["dkh"], abs=1e-6)
    assert float(of(said, "ph_total")["state"]) == newest["ph_total"]["value"]
    assert float(of(said, "salinity")["state"]) == newest["salinity"]["value"]
    assert float(of(said, "temperature")["state"]) == newest["temperature_c"]
    assert moment(of(said, "measured_at")["state"]) == moment(newest["started_utc"])
    assert moment(of(said, "next")["state"]) == moment(status["next"]["at_utc"])
    assert float(of(said, "titrant_days")["state"]) == pytest.approx(status["titrant"]["days_left"])
    assert float(of(said, "waste_days")["state"]) == pytest.approx(status["waste_days"])
    relative_u = newest["alkalinity"]["u"] / newest["alkalinity"]["umol_per_kg"]
    shown_u = float(of(said, "alkalinity_u")["state"]) / float(of(said, "alkalinity")["state"])
    assert shown_u == pytest.approx(relative_u, rel=1e-6)


def test_an_alert_for_the_keeper_is_shown_with_its_text_and_one_for_the_log_is_not(hub, outlet):
    outlet.out.update(
        shown(outlet.file, alerts=[alert(Severity.INFORMATIONAL, "heartbeat", "alive. Nothing is wrong")])
    )
    calm = of(hub.until(known)["entities"], "alert")
    outlet.out.update(shown(outlet.file, alerts=[alert(Severity.ALERT, "leak", "Water in the tray. Dry it")]))
    alarmed = of(hub.until(lambda said: of(said, "alert")["attributes"].get("texts"))["entities"], "alert")

    assert (calm["state"], alarmed["state"]) == ("off", "on")
    assert alarmed["attributes"]["device_class"] == "problem"
    assert alarmed["attributes"]["texts"] == ["Water in the tray. Dry it"]


def test_what_is_not_known_is_unknown_and_not_a_number(hub, outlet):
    """A new bench has no result, one without a schedule no next start; a suspect electrode's pH is not shown."""
    status = shown(outlet.file)
    outlet.out.update({**status, "newest": None, "last": None, "next": None, "tank": None})
    said = hub.until(settled)["entities"]

    for name, one in said.items():
        if of_key(name) not in ALWAYS_KNOWN:
            assert one["state"] == "unknown", name

    beside_the_ph = ("alkalinity", "salinity", "temperature")
    unsettled = {**status["newest"], "ph_total": {**status["newest"]["ph_total"], "verdict": "suspect"}}
    outlet.out.update({**status, "newest": unsettled})
    said = hub.until(lambda said: all(of(said, key)["state"] not in NOTHING for key in beside_the_ph))["entities"]
    assert of(said, "ph_total")["state"] == "unknown"


@pytest.mark.parametrize("ending", ["stop", "kill"])
def test_a_services_values_are_those_of_its_own_status_and_unavailable_once_it_has_ended(hub, broker, tmp_path, ending):
    """A service on the twin at a pace; it ends in order or is killed, and another life makes all available again."""
    bench = tmp_path / "bench.toml"
    mqtt = {"host": "127.0.0.1", "port": broker.port, "discovery_prefix": PREFIX}
    bench.write_text(to_toml(bench_table({"schedule": {"every_h": 24.0}, "outlets": {"mqtt": mqtt}})))
    service = Service(bench, PACE)
    hub.until(lambda said: said and all(of(said, key)["state"] not in NOTHING for key in ("alkalinity", "measured_at")))

    def both():
        """Return what both have, once both have it of the same determination."""
        status = json.loads(run(*SALTERN, "status", "--json", "--bench", bench).stdout)
        said = hub.ask()["entities"]
        measured_at = of(said, "measured_at")["state"]
        last = status["last"]
        return (last, said) if settled(said) and moment(measured_at) == moment(last["started_utc"]) else None

    last, said = service.until(both)
    assert float(of(said, "alkalinity")["state"]) == pytest.approx(last["alkalinity"]["dkh"], abs=1e-6)
    for key in ("ph_total", "salinity"):
        reportable = last[key]["verdict"] in ("accepted", "provisional")
        assert of(said, key)["state"] == (str(last[key]["value"]) if reportable else "unknown")

    service.kill() if ending == "kill" else service.stop()
    hub.until(lambda said: {one["state"] for one in said.values()} == {"unavailable"})
    service = Service(bench, PACE)
    hub.until(lambda said: all(one["state"] != "unavailable" for one in said.values()))
    assert service.stop() == 0
