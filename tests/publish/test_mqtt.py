"""Results reach a real broker, whatever happens to the network, the broker and the service between."""

import json
import shutil
import socket
import subprocess
import threading
from contextlib import closing

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from saltern.clock import RealClock
from saltern.records.opening import open_for_reading
from tests.processes import Service, begin, free_port, rows, until
from tests.sizes import sizes
from tests.toml import to_toml
from tests.twin_bench import bench_table

pytestmark = pytest.mark.skipif(shutil.which("mosquitto") is None, reason="mosquitto is not installed")

PACE = 1500
PROCESSOR_S_A_RESULT = 10


class Broker:
    """A mosquitto on loopback that keeps its sessions over a restart."""

    def __init__(self, folder):
        self.port = free_port()
        folder.chmod(0o777)
        self.config = folder / "mosquitto.conf"
        self.config.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence true\n"
            f"persistence_location {folder}/\nmax_queued_messages 0\nuser root\n"
        )
        self.process = None

    def start(self):
        self.process = begin("mosquitto", "-c", self.config, stderr=subprocess.DEVNULL)
        until(self._answers, self.process)

    def _answers(self):
        with closing(socket.socket()) as probe:
            return probe.connect_ex(("127.0.0.1", self.port)) == 0

    def stop(self):
        self.process.terminate()
        self.process.wait()


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
        "outlets": {"mqtt": {"host": "127.0.0.1", "port": broker.port}},
        "limits.titrant_per_day_ml": 2000.0,
        "titrant.bottle_ml": 5000.0,
        "waste.container_ml": 200_000.0,
    }
    path.write_text(to_toml(bench_table(changes)))
    return path


def kept(bench):
    with closing(open_for_reading(bench.parent / "saltern.sqlite", RealClock())) as store:
        return store.results_after(0, 10_000)


def measured(bench, accepted=False):
    """Return how many determinations are kept, or were accepted."""
    where = "WHERE alkalinity_verdict = 'accepted'" if accepted else ""
    ((count,),) = rows(bench.parent / "saltern.sqlite", f"SELECT count(*) FROM determination {where}")
    return count


def measures(service, bench, more):
    """Wait until that many more results are accepted; of each three started, one at least must be."""
    begun, wanted = measured(bench), measured(bench, accepted=True) + more

    def done():
        assert measured(bench) - begun <= 3 * more + 3
        return measured(bench, accepted=True) >= wanted

    service.until(done)


@pytest.mark.slow
@pytest.mark.parametrize("part", sizes(1, in_soak=60))
def test_every_result_reaches_the_broker_though_it_is_cut_off_twice_and_the_service_is_killed(broker, bench, part):
    """A part is so many accepted results: with the broker there, without it, up to a death, and so on."""
    listener = Subscriber(broker.port)
    allowed_s = 60 + 4 * part * PROCESSOR_S_A_RESULT

    def everything_is_heard():
        numbers = {number for (number,) in rows(bench.parent / "saltern.sqlite", "SELECT id FROM determination")}
        return numbers <= {result["id"] for result in listener.results()}

    service = Service(bench, PACE, allowed_s)
    service.until(lambda: listener.results())
    measures(service, bench, part)
    broker.stop()
    measures(service, bench, part)
    broker.start()
    service.until(everything_is_heard)
    measures(service, bench, part)
    service.kill()
    service = Service(bench, PACE, allowed_s)
    measures(service, bench, part)
    broker.stop()
    measures(service, bench, part)
    broker.start()
    assert service.stop() == 0
    service = Service(bench, PACE, allowed_s)  # what was measured last may not have been sent: this start sends it
    numbers = [number for number, _ in kept(bench)]
    service.until(lambda: set(numbers) <= {result["id"] for result in listener.results()})
    assert service.stop() == 0
    listener.close()

    heard = listener.results()
    first_heard = list(dict.fromkeys(result["id"] for result in heard))
    assert len(numbers) >= 5 * part
    assert first_heard[: len(numbers)] == numbers
    by_id = {}
    for result in heard:
        assert by_id.setdefault(result["id"], result) == result
    accepted = [n for n, d in kept(bench) if d.alkalinity.verdict.value == "accepted"]
    assert set(accepted) & set(numbers) <= set(first_heard)
    assert len(accepted) >= 5 * part
    assert "offline" in listener.states()
    assert "online" in listener.states()
