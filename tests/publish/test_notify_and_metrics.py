"""Alerts by apprise, against a listener of our own; metrics as text and on loopback; secrets from files."""

import http.server
import json
import threading
import urllib.request
from datetime import UTC, datetime, time

import pytest
from prometheus_client.parser import text_string_to_metric_families

from saltern.clock import RealClock
from saltern.config.tables import Alerts
from saltern.errors import ConfigError
from saltern.model.alert import Alert, Severity
from saltern.publish import notify
from saltern.publish.credentials import secret
from saltern.publish.notify import NotifyOutlet
from saltern.publish.openmetrics import Metrics, MetricsOutlet
from saltern.records.opening import open_store
from tests.processes import free_port, until


@pytest.fixture
def listener():
    """An address that a telephone's service stands for; it can be made to fail."""
    heard, state = [], {"fails": False, "refused": 0}

    class Ear(http.server.BaseHTTPRequestHandler):
        def do_POST(self):
            body = self.rfile.read(int(self.headers["Content-Length"]))
            self.send_response(503 if state["fails"] else 200)
            self.end_headers()
            if state["fails"]:
                state["refused"] += 1
            else:
                heard.append(json.loads(body))

        def do_GET(self):
            heard.append({"path": self.path})
            self.send_response(200)
            self.end_headers()

        def log_message(self, *_):
            pass

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Ear)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield server.server_address[1], heard, state
    server.shutdown()
    thread.join()
    server.server_close()


@pytest.fixture
def store(tmp_path):
    made = open_store(tmp_path / "s.sqlite", RealClock())
    yield made
    made.close()


@pytest.fixture
def quick(monkeypatch):
    monkeypatch.setattr(notify, "LOOK_EVERY_S", 0.05)
    monkeypatch.setattr(notify, "AFTER_FAILURE_S", 0.2)


def alert(severity, text):
    return Alert(datetime.now(UTC), 0.0, severity, text.split()[0], text)


def outlet(tmp_path, store, port, *, quiet=lambda _: False, alive=lambda: True, watcher=False):
    urls = tmp_path / "urls"
    urls.write_text(f"json://127.0.0.1:{port}/\n")
    urls.chmod(0o600)
    table = {"urls_file": "urls"}
    if watcher:
        (tmp_path / "watcher").write_text(f"http://127.0.0.1:{port}/alive")
        (tmp_path / "watcher").chmod(0o600)
        table["watcher_url_file"] = "watcher"
    return NotifyOutlet(Alerts(**table), "kelp-room", tmp_path, store, RealClock(), quiet, alive)


def wait_for(heard, count):
    until(lambda: len(heard) >= count)
    return [item.get("message", item.get("path")) for item in heard]


@pytest.mark.usefixtures("quick")
def test_alerts_are_sent_once_each_in_the_keepers_words(tmp_path, store, listener):
    port, heard, _ = listener
    store.keep_alert(alert(Severity.ERROR, "old alerts are not sent again"))
    out = outlet(tmp_path, store, port)
    store.keep_alert(alert(Severity.CRITICAL, "leak: water in the tray"))
    store.keep_alert(alert(Severity.WARNING, "titrant for about 2 days"))

    assert sorted(wait_for(heard, 2)) == ["leak: water in the tray", "titrant for about 2 days"]
    assert {item["title"] for item in heard} == {"kelp-room: act now", "kelp-room: look today"}
    out.close()
    assert len(heard) == 2


@pytest.mark.usefixtures("quick")
def test_what_cannot_be_sent_is_kept_and_sent_later_also_by_the_next_service(tmp_path, store, listener):
    port, heard, state = listener
    state["fails"] = True
    out = outlet(tmp_path, store, port)
    store.keep_alert(alert(Severity.ERROR, "no result"))
    until(lambda: state["refused"] >= 2)
    out.close()
    assert heard == []

    state["fails"] = False
    again = outlet(tmp_path, store, port)
    assert wait_for(heard, 1) == ["no result"]
    again.close()


@pytest.mark.usefixtures("quick")
def test_a_mistake_of_the_library_silences_nothing_that_follows(tmp_path, store, listener, monkeypatch):
    port, heard, _ = listener
    out = outlet(tmp_path, store, port)
    sound, left = out._addresses.notify, [ValueError("a plug-in's mistake")]

    def fail_once(**what):
        if left:
            raise left.pop()
        return sound(**what)

    monkeypatch.setattr(out._addresses, "notify", fail_once)
    store.keep_alert(alert(Severity.CRITICAL, "leak: water in the tray"))

    assert wait_for(heard, 1) == ["leak: water in the tray"]
    out.close()


@pytest.mark.usefixtures("quick")
def test_in_quiet_hours_only_what_is_urgent_goes_out(tmp_path, store, listener):
    port, heard, _ = listener
    looked = []
    out = outlet(tmp_path, store, port, quiet=lambda at: looked.append(at) or True)
    store.keep_alert(alert(Severity.WARNING, "titrant low"))
    store.keep_alert(alert(Severity.CRITICAL, "overfill"))

    assert wait_for(heard, 1) == ["overfill"]
    before = len(looked)
    until(lambda: len(looked) >= before + 3)
    out.close()
    assert len(heard) == 1
    awake = outlet(tmp_path, store, port)
    assert wait_for(heard, 2) == ["overfill", "titrant low"]
    awake.close()


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize("alive", [True, False])
def test_a_watcher_is_told_while_the_loop_lives_and_not_after(tmp_path, store, listener, alive):
    port, heard, _ = listener
    asked = []
    out = outlet(tmp_path, store, port, alive=lambda: asked.append(True) or alive, watcher=True)
    until(lambda: asked and (heard or not alive))
    out.close()

    assert [item["path"] for item in heard if "path" in item] == (["/alive"] if alive else [])


def test_secrets_that_others_may_read_or_that_are_missing_are_refused_without_being_shown(tmp_path, store):
    path = tmp_path / "urls"
    path.write_text("secret://word")
    path.chmod(0o644)
    with pytest.raises(ConfigError, match="others may read") as caught:
        secret("urls", tmp_path)
    assert "word" not in str(caught.value)

    path.chmod(0o600)
    with pytest.raises(ConfigError, match="not a notification address") as caught:
        NotifyOutlet(Alerts(urls_file="urls"), "b", tmp_path, store, RealClock(), lambda _: False, lambda: True)
    assert "word" not in str(caught.value)
    with pytest.raises(ConfigError, match="cannot be read"):
        secret("nothing", tmp_path)
    path.write_text("\n")
    with pytest.raises(ConfigError, match="empty"):
        secret("urls", tmp_path)


NEWEST = {
    "source": "tank",
    "alkalinity": {"verdict": "accepted", "umol_per_kg": 2450.0, "u": 3.5},
    "ph_total": {"verdict": "suspect", "value": 8.0},
    "salinity": {"verdict": "accepted", "value": 35.1},
    "temperature_c": 25.5,
    "started_s": 1_772_409_600.0,
}
STATUS = {
    "last": {**NEWEST, "source": "reference", "alkalinity": {"verdict": "accepted", "umol_per_kg": 2000.0, "u": 3.5}},
    "newest": NEWEST,
    "tank": None,
    "alive_at": "2026-03-02T00:20:00+00:00",
    "next": None,
    "waste_days": 9.0,
    "titrant": {"left_ml": [900.0, 1000.0], "days_left": 30.0},
    "waste": {"room_ml": 9500.0},
    "vessel_ml": [0.0, 12.0],
    "alerts": [],
    "devices": [
        {"place": "probes.ph.board", "up": True, "returns": 2},
        {"place": "pumps.waste.drive", "up": False, "returns": 0},
    ],
    "interlocks": [{"name": "leak", "kind": "trip", "remedy": ""}],
}


def test_metrics_are_in_base_units_and_what_is_not_believed_is_left_out(tmp_path):
    out = MetricsOutlet(Metrics(textfile="m.prom"), "kelp-room", tmp_path)
    out.update(STATUS)
    text = (tmp_path / "m.prom").read_text()
    out.close()

    assert 'saltern_alkalinity_moles_per_kilogram{bench="kelp-room"} 0.00245' in text
    assert 'saltern_titrant_litres{bench="kelp-room"} 0.9' in text
    assert 'saltern_interlock_acting{bench="kelp-room",interlock="leak"} 1.0' in text
    assert "saltern_sample_ph{" not in text
    assert 'saltern_device_up{bench="kelp-room",device="probes.ph.board"} 1.0' in text
    assert 'saltern_device_up{bench="kelp-room",device="pumps.waste.drive"} 0.0' in text


def test_consumption_and_forecast_are_in_base_units_while_they_are_known(tmp_path):
    """By hand: 0.7 dKH is 249.7 umol/L (10 mg/L CaO a dKH), 243.6 umol/kg at 1.0248 kg/L (gsw, 35, 20 degC)."""
    out = MetricsOutlet(Metrics(textfile="m.prom"), "kelp-room", tmp_path)
    window = {"days": 3.0, "consumption_dkh_per_day": {"value": 0.7, "u": 0.07}}
    taken = {"too_early": False, "windows": [window]}
    tank = {"salinity": 35.0, "consumption": taken, "forecast": {"leaves_at_utc": "2026-03-05T00:00:00+00:00"}}
    out.update({**STATUS, "tank": tank})
    known = samples(tmp_path / "m.prom")
    out.update({**STATUS, "tank": {**tank, "consumption": {**taken, "too_early": True}, "forecast": None}})
    unknown = samples(tmp_path / "m.prom")
    out.close()

    a_second = 243.6e-6 / 86400.0
    assert known["saltern_tank_consumption_moles_per_kilogram_per_second"] == pytest.approx(a_second, rel=1e-3)
    uncertainty = known["saltern_tank_consumption_uncertainty_moles_per_kilogram_per_second"]
    assert uncertainty == pytest.approx(0.1 * a_second, rel=1e-3)
    assert known["saltern_tank_leaves_band_timestamp_seconds"] == datetime(2026, 3, 5, tzinfo=UTC).timestamp()
    assert not [name for name in unknown if name.startswith("saltern_tank_")]


def samples(textfile):
    """Return the values by name, as the library of the format reads them."""
    families = text_string_to_metric_families(textfile.read_text())
    return {sample.name: sample.value for family in families for sample in family.samples}


def test_how_often_a_device_came_back_is_a_counter_over_all_that_was_told(tmp_path):
    out = MetricsOutlet(Metrics(textfile="m.prom"), "kelp-room", tmp_path)
    for returns in (2, 2, 3):
        out.update({**STATUS, "devices": [{"place": "probes.ph.board", "up": True, "returns": returns}]})
    text = (tmp_path / "m.prom").read_text()
    out.close()

    assert "# TYPE saltern_device_returns_total counter" in text or "# TYPE saltern_device_returns counter" in text
    assert 'saltern_device_returns_total{bench="kelp-room",device="probes.ph.board"} 3.0' in text


def test_metrics_are_served_on_loopback_alone_and_a_taken_port_is_told(tmp_path, listener):
    with pytest.raises(ConfigError, match="cannot be served"):
        MetricsOutlet(Metrics(port=listener[0]), "b", tmp_path)
    port = free_port()
    out = MetricsOutlet(Metrics(port=port), "b", tmp_path)
    out.update(STATUS)
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics") as answer:
        assert b"saltern_vessel_litres" in answer.read()
    out.close()


def test_quiet_hours_are_local_times():
    assert Alerts(quiet=((time(22), time(7)),)).quiet == ((time(22), time(7)),)
