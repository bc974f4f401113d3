"""Results reach a real broker, whatever happens to the network, the broker and the service between."""

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from contextlib import closing

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from saltern.clock import RealClock
from saltern.records.store import open_for_reading
from tests.toml import to_toml
from tests.twin_bench import bench_table

pytestmark = pytest.mark.skipif(shutil.which("mosquitto") is None, reason="mosquitto is not installed")

DAYS, PACE = (7.0, 5000) if os.environ.get("SALTERN_SOAK") else (0.45, 1500)


class Broker:
    """A mosquitto on loopback that keeps its sessions over a restart."""

    def __init__(self, folder):
        with closing(socket.socket()) as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        folder.chmod(0o777)
        self.config = folder / "mosquitto.conf"
        self.config.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence true\n"
            f"persistence_location {folder}/\nmax_queued_messages 0\nuser root\n"
        )
        self.process = None

    def start(self):
        self.process = subprocess.Popen(["mosquitto", "-c", str(self.config)], stderr=subprocess.DEVNULL)
        for _ in range(100):
            with closing(socket.socket()) as probe:
                if probe.connect_ex(("127.0.0.1", self.port)) == 0:
                    return
            time.sleep(0.05)
        raise AssertionError("mosquitto did not start")

    def stop(self):
        self.process.terminate()
        self.process.wait(10)


class Subscriber:
    """Hears everything of one bench, in a session that outlives outages."""

    def __init__(self, port):
        self.heard, self._lock = [], threading.Lock()
        self.client = paho.Client(CallbackAPIVersion.VERSION2, client_id="listener", clean_session=False)
        self.client.on_connect = lambda client, *_: client.subscribe("saltern/#", 1)
        self.client.on_message = self._hear
        self.client.reconnect_delay_set(1, 2)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()

    def _hear(self, _client, _data, message):
        with self._lock:
            self.heard.append((message.topic, message.payload))

    def results(self):
        with self._lock:
            return [json.loads(payload) for topic, payload in self.heard if topic.endswith("/result")]

    def states(self):
        with self._lock:
            return [payload.decode() for topic, payload in self.heard if topic.endswith("/state")]

    def close(self):
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture
def broker(tmp_path):
    made = Broker(tmp_path)
    made.start()
    yield made
    made.stop()


@pytest.fixture
def bench(tmp_path, broker):
    path = tmp_path / "bench.toml"
    changes = {
        "schedule": {"every_h": 0.5},
        "mqtt": {"host": "127.0.0.1", "port": broker.port},
        "limits.titrant_per_day_ml": 2000.0,
        "titrant.bottle_ml": 5000.0,
        "waste.container_ml": 200_000.0,
    }
    path.write_text(to_toml(bench_table(changes)))
    return path


def daemon(bench):
    return subprocess.Popen(
        [sys.executable, "-m", "saltern.cli.main", "daemon", str(bench), "--pace", str(PACE)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def kept(bench):
    store = open_for_reading(bench.parent / "saltern.sqlite", RealClock())
    found = store.results_after(0, 10_000)
    store.close()
    return found


def test_every_result_reaches_the_broker_though_it_is_cut_off_twice_and_the_service_is_killed(broker, bench):
    listener = Subscriber(broker.port)
    process, begun = daemon(bench), time.monotonic()
    length_s = DAYS * 86400.0 / PACE

    def until(part):
        time.sleep(max(0.0, begun + part * length_s - time.monotonic()))

    until(0.25)
    broker.stop()
    until(0.35)
    broker.start()
    until(0.5)
    process.kill()
    process.wait()
    process = daemon(bench)
    until(0.7)
    broker.stop()
    until(0.8)
    broker.start()
    until(1.0)
    process.send_signal(signal.SIGTERM)
    process.wait(30)
    process = daemon(bench)  # what was measured last may not have been sent: the next start sends it
    numbers = [number for number, _ in kept(bench)]
    deadline = time.monotonic() + 20.0
    while time.monotonic() < deadline and {r["id"] for r in listener.results()} < set(numbers):
        time.sleep(0.2)
    process.send_signal(signal.SIGTERM)
    process.wait(30)
    listener.close()

    heard = listener.results()
    first_heard = list(dict.fromkeys(result["id"] for result in heard))
    assert len(numbers) >= 5
    assert first_heard[: len(numbers)] == numbers
    by_id = {}
    for result in heard:
        assert by_id.setdefault(result["id"], result) == result
    accepted = [n for n, d in kept(bench) if d.alkalinity.verdict.value == "accepted"]
    assert set(accepted) <= set(first_heard)
    assert len(accepted) >= 4
    assert "offline" in listener.states()
    assert "online" in listener.states()
