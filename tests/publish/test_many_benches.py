"""What whoever keeps many benches looks at: metrics by Prometheus' own rules, state and status on a real broker."""

import json
import os
import shutil
import subprocess
from datetime import datetime

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from prometheus_client.parser import text_string_to_metric_families

from saltern import __version__
from saltern.chemistry.alkalinity_unit import AlkalinityUnit
from saltern.clock import RealClock
from saltern.publish import mqtt
from saltern.publish.mqtt import Mqtt, MqttOutlet
from saltern.publish.openmetrics import Metrics, MetricsOutlet
from saltern.records.opening import open_store
from tests.nine_days import NOW, nine_days, shown
from tests.processes import until
from tests.publish.test_mqtt import broker

__all__ = ["broker"]

REFERENCE_DKH = 6.9


@pytest.fixture(scope="module")
def status(tmp_path_factory):
    found = json.loads(json.dumps(shown(nine_days(tmp_path_factory.mktemp("bench")))))
    return {
        **found,
        "interlocks": [
            {"name": "leak", "kind": "trip", "remedy": "Dry it"},
            {"name": "held", "kind": "permissive", "remedy": "Wait"},
        ],
        "devices": [{"place": "probes.ph.board", "up": True, "returns": 2}],
    }


@pytest.fixture
def written(status, tmp_path):
    """The text file, as a service of a strict umask writes it."""
    before = os.umask(0o027)
    try:
        out = MetricsOutlet(Metrics(textfile="m.prom"), "kelp-room", tmp_path)
        out.update(status)
        out.close()
    finally:
        os.umask(before)
    return tmp_path / "m.prom"


def test_the_reference_that_was_measured_last_is_not_the_tanks_alkalinity(written, status):
    families = {one.name: one for one in text_string_to_metric_families(written.read_text())}
    (sample,) = families["saltern_alkalinity_moles_per_kilogram"].samples

    assert status["last"]["source"] == "reference"
    assert status["last"]["alkalinity"]["dkh"] == pytest.approx(REFERENCE_DKH, abs=0.02)
    assert sample.value == pytest.approx(status["newest"]["alkalinity"]["umol_per_kg"] * 1e-6)
    assert sample.value * 1e6 > status["last"]["alkalinity"]["umol_per_kg"] + 100.0


def test_an_exporter_of_another_user_may_read_them_and_finds_no_half_file(written):
    assert written.stat().st_mode & 0o777 == 0o644
    assert [path.name for path in written.parent.iterdir() if path.suffix == ".prom"] == ["m.prom"]


def test_they_say_what_runs_and_when_the_control_loop_last_did(written, status):
    families = {one.name: one for one in text_string_to_metric_families(written.read_text())}
    (build,) = families["saltern_build_info"].samples
    (loop,) = families["saltern_control_loop_timestamp_seconds"].samples

    assert build.value == 1.0
    assert build.labels["version"] == __version__
    assert loop.value == datetime.fromisoformat(status["alive_at"]).timestamp() == NOW.timestamp()
    days = families["saltern_waste_lasts_seconds"].samples[0].value / 86400.0
    assert days == pytest.approx(status["waste_days"])


def test_what_is_not_known_any_more_has_no_value(status, tmp_path):
    out = MetricsOutlet(Metrics(textfile="m.prom"), "kelp-room", tmp_path)
    unsettled = {**status["newest"], "ph_total": {"verdict": "suspect", "value": 8.1}}
    for known in (status, {**status, "next": None, "newest": unsettled}):
        out.update(known)
    out.close()
    text = (tmp_path / "m.prom").read_text()

    assert "saltern_alkalinity_moles_per_kilogram{" in text
    assert "saltern_sample_ph{" not in text
    assert "saltern_next_start_timestamp_seconds{" not in text


def test_every_family_keeps_prometheus_rules_for_names(written):
    """https://prometheus.io/docs/practices/naming/ : base units in plural, `_total` for counters and no other."""
    families = [one for one in text_string_to_metric_families(written.read_text()) if one.type != "unknown"]

    assert len(families) >= 15
    for family in families:
        assert family.documentation, family.name
        assert family.name.startswith("saltern_")
        assert not family.name.endswith(("_total", "_count", "_sum", "_bucket")), family.name
        for unit in ("_milli", "_micro", "_hours", "_days", "_minutes", "_kelvin", "_percent", "_ml", "_s"):
            assert not family.name.endswith(unit), family.name


@pytest.mark.skipif(shutil.which("promtool") is None, reason="promtool is not installed")
def test_prometheus_own_linter_has_nothing_to_say(written):
    done = subprocess.run(["promtool", "check", "metrics"], input=written.read_text(), capture_output=True, text=True)

    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


class Ear:
    """Hears the newest of each topic."""

    def __init__(self, port):
        self.heard, self.retained = {}, {}
        self.client = paho.Client(CallbackAPIVersion.VERSION2)
        self.client.on_connect = lambda client, *_: client.subscribe("saltern/#", 1)
        self.client.on_message = self._hear
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()

    def _hear(self, _client, _data, message):
        self.heard[message.topic] = message.payload.decode()
        self.retained[message.topic] = bool(message.retain)

    def state(self):
        return self.heard.get("saltern/kelp-room/state")

    def close(self):
        self.client.disconnect()
        self.client.loop_stop()
        self.client.on_connect = self.client.on_message = None  # else a cycle keeps its sockets for the collector
        del self.client


@pytest.mark.skipif(shutil.which("mosquitto") is None, reason="mosquitto is not installed")
def test_state_is_that_of_the_control_loop_and_status_is_there_for_whoever_comes_later(
    broker, status, tmp_path, monkeypatch
):
    """The network thread lives on while the loop hangs: the broker must hear of the loop."""
    monkeypatch.setattr(mqtt, "LOOK_EVERY_S", 0.05)
    life, store, ear = [False], open_store(tmp_path / "s.sqlite", RealClock()), Ear(broker.port)
    out = MqttOutlet(
        Mqtt(host="127.0.0.1", port=broker.port), "kelp-room", AlkalinityUnit.DKH, tmp_path, store, lambda: life[0]
    )
    late = None
    try:
        until(lambda: ear.state() == "offline")
        life[0] = True
        until(lambda: ear.state() == "online")
        out.update(status)
        until(lambda: "saltern/kelp-room/status" in ear.heard)
        life[0] = False
        until(lambda: ear.state() == "offline")
        assert out._client.is_connected()
        life[0] = True
        until(lambda: ear.state() == "online")

        late = Ear(broker.port)
        until(lambda: {f"saltern/kelp-room/{topic}" for topic in ("state", "status", "tank")} <= set(late.heard))
        assert all(late.retained.values())
        said = json.loads(late.heard["saltern/kelp-room/status"])
        assert said["trip"] == ["leak"]
        assert said["phase"] == "idle"
        assert said["alive_at"] == status["alive_at"]
        assert said["bottle"]["days_left"] == pytest.approx(status["titrant"]["days_left"])
        assert said["next"] == status["next"]

        broker.stop()
        until(lambda: not out._client.is_connected())
        broker.start()
        until(lambda: out._client.is_connected() and out._said == "online")
    finally:
        out.close()
        store.close()
        ear.close()
        if late is not None:
            late.close()
