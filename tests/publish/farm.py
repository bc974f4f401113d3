"""A farm as `config/many` sets it up: real broker and metrics server, simulated benches, all faster than real time.

Every file of that folder is used as it is shipped, but for ports, paths and durations, which are parsed and replaced.
"""

import json
import re
import socket
import ssl
import subprocess
import threading
import time
import urllib.error
import urllib.parse
import urllib.request
from collections import Counter
from contextlib import closing
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import paho.mqtt.client as paho
import yaml
from paho.mqtt.enums import CallbackAPIVersion

from saltern.clock import VirtualClock
from saltern.config.loading import bench_from
from saltern_drivers.twin import wires as twin
from saltern_drivers.twin.afterlife import VARIABLE, Afterlife
from saltern_drivers.twin.instruments import CLASSES
from saltern_drivers.twin.tank import Tank
from saltern_drivers.twin.truth import Asked
from tests.processes import Service, begin, free_port, rows, until
from tests.toml import to_toml
from tests.twin_bench import bench_table

MANY = Path(__file__).parents[2] / "config" / "many"
TOOLS = ("mosquitto", "mosquitto_passwd", "openssl", "prometheus", "promtool")
UNITS_MS = {"ms": 1, "s": 1000, "m": 60_000, "h": 3_600_000, "d": 86_400_000}
DURATION = re.compile(r"""("[^"]*"|'[^']*')|\b(\d+)(ms|[smhd])\b""")
HOME = "127.0.0.1"
LOOK_EVERY_S = 0.3
LOOKBACK = "5m"
"""The server's own default: for so long the newest sample of a series counts as what is so now."""


def faster(text, pace):
    """Return an expression or a duration with each duration in it divided by the pace; strings stay as they are."""

    def divided(found):
        quoted, number, unit = found.groups()
        return quoted or f"{round(int(number) * UNITS_MS[unit] / pace)}ms"

    return DURATION.sub(divided, text)


def rules_at(pace):
    """Return the shipped rules for time that runs so many times faster."""
    rules = yaml.safe_load((MANY / "rules.yml").read_text())
    for group in rules["groups"]:
        for rule in group["rules"]:
            for key in {"expr", "for"} & set(rule):
                rule[key] = faster(rule[key], pace)
    return rules


class Broker:
    """The broker with the shipped configuration, over TLS on loopback."""

    def __init__(self, folder, users):
        folder.mkdir()
        folder.chmod(0o777)
        self.port, self.ca = free_port(), folder / "broker.crt"
        key, passwords, self.config = folder / "broker.key", folder / "passwords", folder / "mosquitto.conf"
        curve = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-days", "2")
        named = ("-subj", "/CN=broker", "-addext", f"subjectAltName=IP:{HOME}")
        _done("openssl", "req", "-x509", *curve, *named, "-keyout", key, "-out", self.ca)
        passwords.write_text("".join(f"{user}:{user}-secret\n" for user in users))
        _done("mosquitto_passwd", "-U", passwords)
        places = {
            "listener": f"{self.port} {HOME}",
            "cafile": self.ca,
            "certfile": self.ca,
            "keyfile": key,
            "password_file": passwords,
            "acl_file": folder / "acl",
        }
        lines = [line.split(maxsplit=1) for line in (MANY / "mosquitto.conf").read_text().splitlines()]
        settings = {words[0]: words[1] for words in lines if words and not words[0].startswith("#")}
        assert set(places) <= set(settings)
        of_the_distribution = {"persistence": "true", "persistence_location": f"{folder}/", "user": "root"}
        said = {**settings, **places, **of_the_distribution, "sys_interval": 1}
        self.config.write_text("".join(f"{key} {value}\n" for key, value in said.items()))
        (folder / "acl").write_text((MANY / "acl").read_text() + "user gauge\ntopic read $SYS/#\n")
        self.process = None

    def start(self):
        self.process = begin("mosquitto", "-c", self.config, stderr=subprocess.DEVNULL)
        until(lambda: _answers(self.port), self.process)

    def stop(self):
        self.process.terminate()
        self.process.wait()


class Client:
    """A user at the broker, in a session that outlives outages; hears what it may."""

    def __init__(self, broker, user, *topics):
        self._heard, self._lock, self.refused = [], threading.Lock(), None
        self.client = paho.Client(CallbackAPIVersion.VERSION2, client_id=user, clean_session=False)
        self.client.username_pw_set(user, f"{user}-secret")
        self.client.tls_set(ca_certs=str(broker.ca), cert_reqs=ssl.CERT_REQUIRED)
        self.client.on_connect = lambda client, *_: [client.subscribe(topic, 1) for topic in topics]
        self.client.on_message = self._hear
        self.client.reconnect_delay_set(1, 2)
        self.client.connect(HOME, broker.port)
        self.client.loop_start()

    def _hear(self, _client, _data, message):
        with self._lock:
            self._heard.append((message.topic, message.payload))

    def heard(self):
        with self._lock:
            return list(self._heard)

    def results(self):
        """Return (bench, number) of each result that was heard."""
        found = [(topic.split("/")[1], json.loads(said)) for topic, said in self.heard() if topic.endswith("/result")]
        return {(bench, result["id"]) for bench, result in found}

    def traffic(self):
        """Return messages and bytes of payload, by the kind of topic."""
        messages, size = Counter(), Counter()
        for topic, payload in self.heard():
            messages[topic.split("/")[-1]] += 1
            size[topic.split("/")[-1]] += len(payload)
        return {kind: (messages[kind], size[kind]) for kind in messages}

    def close(self):
        self.client.disconnect()
        self.client.loop_stop()
        self.client.on_connect = self.client.on_message = None  # else a cycle keeps its sockets for the collector
        del self.client


class Server:
    """The metrics server with the shipped configuration; scrapes, windows and delays so many times shorter."""

    def __init__(self, folder, targets, pace, processor_s):
        (folder / "targets").mkdir(parents=True)
        self.port, self.config = free_port(), folder / "prometheus.yml"
        config = yaml.safe_load((MANY / "prometheus.yml").read_text())
        for key in ("scrape_interval", "evaluation_interval"):
            config["global"][key] = faster(config["global"][key], pace)
        self.config.write_text(json.dumps(config))
        (folder / "rules.yml").write_text(json.dumps(rules_at(pace)))
        listed = [
            {"targets": [address], "labels": {"bench": bench, **({} if path is None else {"__metrics_path__": path})}}
            for bench, (address, path) in targets.items()
        ]
        (folder / "targets" / "farm.yml").write_text(json.dumps(listed))
        with (folder / "log").open("w") as log:
            self.process = begin(
                "prometheus",
                f"--config.file={self.config}",
                f"--storage.tsdb.path={folder / 'series'}",
                f"--web.listen-address={HOME}:{self.port}",
                f"--web.console.templates={MANY / 'consoles'}",
                f"--query.lookback-delta={faster(LOOKBACK, pace)}",
                "--log.level=warn",
                processor_s=processor_s,
                stderr=log,
            )
        until(lambda: _answers(self.port), self.process)
        until(lambda: self.get("/-/ready", refused=True) is not None, self.process)  # it refuses while it begins

    def get(self, path, *, refused=False):
        """Return what it answers, as text; None where it refuses and may."""
        try:
            with urllib.request.urlopen(f"http://{HOME}:{self.port}{path}") as answer:
                return answer.read().decode()
        except urllib.error.HTTPError as error:
            error.close()
            if not refused:
                raise
            return None

    def firing(self):
        """Return (rule, bench) of each alert that fires."""
        found = json.loads(self.get("/api/v1/alerts"))["data"]["alerts"]
        return {(one["labels"]["alertname"], one["labels"]["bench"]) for one in found if one["state"] == "firing"}

    def said_of(self, rule, bench):
        """Return the annotations of an alert."""
        found = json.loads(self.get("/api/v1/alerts"))["data"]["alerts"]
        labels = {"alertname": rule, "bench": bench}
        (one,) = [one for one in found if labels.items() <= one["labels"].items()]
        return one["annotations"]

    def values(self, query):
        """Return each bench's value of an expression now."""
        found = json.loads(self.get(f"/api/v1/query?{urllib.parse.urlencode({'query': query})}"))["data"]["result"]
        return {one["metric"]["bench"]: float(one["value"][1]) for one in found}

    def stop(self):
        self.process.terminate()
        self.process.wait()


class TextFiles:
    """Serves the folders of benches as an exporter serves its text files: whoever wrote them may be dead."""

    def __init__(self, folder):
        handler = partial(_Quiet, directory=str(folder))
        self._server = _Patient((HOME, 0), handler)
        self.port = self._server.server_address[1]
        self._thread = threading.Thread(target=self._server.serve_forever, daemon=True)
        self._thread.start()

    def close(self):
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()


class _Patient(ThreadingHTTPServer):
    def handle_error(self, request, client_address):
        """A scraper that has waited too long hangs up: it comes again."""


class _Quiet(SimpleHTTPRequestHandler):
    extensions_map = {".prom": "text/plain; version=0.0.4"}  # noqa: RUF012 - as its base class has it

    def log_message(self, *_):
        """Say nothing."""


class Farm:
    """Broker, server and benches.

    Parameters
    ----------
    folder
        Where all of it lives.
    changes
        By bench, what differs in its file from the template, `config/bench-of-many.toml`.
    by_text_file
        Benches whose metrics are read from their text file.
    """

    def __init__(self, folder, changes, pace, *, by_text_file=(), processor_s=120):
        self.folder, self.pace, self._processor_s = folder, pace, processor_s
        self.broker = Broker(folder / "broker", ["reader", "gauge", "nursery-99", *changes])
        self.broker.start()
        self.files, self.services, self.environment = {}, {}, {}
        self.text_files = TextFiles(folder)
        targets = {}
        for name, differs in changes.items():
            port = free_port()
            self.files[name] = self._bench_file(name, port, differs)
            textual = name in by_text_file
            targets[name] = (
                (f"{HOME}:{self.text_files.port}", f"/{name}/{name}.prom") if textual else (f"{HOME}:{port}", None)
            )
        self.targets = targets
        self.server = Server(folder / "server", targets, pace, processor_s)
        self.reader = Client(self.broker, "reader", "saltern/#")

    def _bench_file(self, name, port, differs):
        path = self.folder / name / "bench.toml"
        path.parent.mkdir()
        password = path.with_name("mqtt-password")
        password.write_text(f"{name}-secret")
        password.chmod(0o600)
        table = bench_table(name="bench-of-many.toml")
        told = {**table["outlets"]["mqtt"], "host": HOME, "port": self.broker.port, "ca_file": str(self.broker.ca)}
        del told["discovery_prefix"]  # nobody listens for it here
        table["outlets"] = {"mqtt": {**told, "user": name}, "metrics": {"textfile": f"{name}.prom", "port": port}}
        for key in ("urls_file", "watcher_url_file", "heartbeat"):
            table["alerts"].pop(key)
        table["name"] = name
        for key, value in differs.items():
            section, last = key.split(".")
            table[section][last] = value
        table["schedule"] = {key: value for key, value in table["schedule"].items() if value is not None}
        path.write_text(to_toml(table))
        return path

    def presses_stop(self, name, after_s):
        """Let somebody press this bench's stop button so long after its world begins, in its own time."""
        path, clock = self.folder / f"{name}.world", VirtualClock()
        config = bench_from(bench_table(name="bench-of-many.toml"), where=name)
        _, world, _ = twin.build(config.model_dump(), clock, Asked(CLASSES["good"]), tank=Tank(), seed=1)
        world.stop_from_s = after_s
        with closing(Afterlife(path)) as kept:
            kept.keep(world)
        self.environment[name] = {VARIABLE: str(path)}

    def start(self, *names):
        for name in names:
            environment = self.environment.get(name, {})
            self.services[name] = Service(self.files[name], self.pace, self._processor_s, **environment)

    def until(self, condition):
        """Wait for what server, broker and benches are to do; one of them that ends before fails it."""

        def looked_at_now_and_then():
            time.sleep(
                LOOK_EVERY_S
            )  # a look asks the server and reads records, and would cost more than what it awaits
            return condition()

        return until(looked_at_now_and_then, self.server.process, *(one.process for one in self.services.values()))

    def kept(self, name):
        """Return (bench, number) of each result in its records."""
        records = self.files[name].with_name("saltern.sqlite")
        return (
            {(name, number) for (number,) in rows(records, "SELECT id FROM determination")}
            if records.exists()
            else set()
        )

    def all_kept(self):
        return {one for name in self.files for one in self.kept(name)}

    def kill(self, name):
        self.services.pop(name).kill()

    def stop(self):
        """End all of it in order; return the benches' codes."""
        for service in self.services.values():
            service.process.terminate()
        codes = {name: service.process.wait() for name, service in self.services.items()}
        self.reader.close()
        self.server.stop()
        self.broker.stop()
        self.text_files.close()
        return codes


def _answers(port):
    with closing(socket.socket()) as probe:
        return probe.connect_ex((HOME, port)) == 0


def _done(*words):
    done = subprocess.run([str(word) for word in words], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return done.stdout
