"""Outlets are found by their entry points: a stranger's is asked for, checked, opened and closed as ours are."""

import builtins
import json
import sys
from importlib.metadata import entry_points

import pytest

from saltern.bench.libraries import extras
from saltern.clock import RealClock
from saltern.config.loading import bench_from
from saltern.errors import ConfigError, StartupError, StorageError
from saltern.publish import outlets as opening
from saltern.publish.outlet import Outlet, OutletKind, Rounds
from saltern.publish.outlets import outlets, reaches, wanted
from saltern.records.opening import open_store
from tests.cli.command import run
from tests.processes import until
from tests.toml import to_toml
from tests.twin_bench import bench_table

BUOY = """
from pydantic import BaseModel, ConfigDict

from saltern.publish.outlet import OutletKind


class Buoy(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)
    channel: int


class Lamp:
    def __init__(self, table, around):
        self.table, self.bench, self.seen, self.closed = table, around.current().name, [], False

    def update(self, status):
        self.seen.append(status)

    def close(self):
        self.closed = True


KIND = OutletKind(Lamp, Buoy, reaches=lambda table: f"the lamp on channel {table.channel}")
"""


@pytest.fixture
def buoy(tmp_path, monkeypatch):
    """Install a stranger's package, as pip would."""
    (tmp_path / "buoy_lamp.py").write_text(BUOY)
    info = tmp_path / "buoy_lamp-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: buoy-lamp\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text("[saltern.outlets]\nbuoy = buoy_lamp:KIND\n")
    monkeypatch.syspath_prepend(tmp_path)
    opening.kinds.cache_clear()
    yield
    opening.kinds.cache_clear()
    sys.modules.pop("buoy_lamp", None)


def config(**tables):
    return bench_from({**bench_table(), **tables}, where="bench.toml")


@pytest.fixture
def store(tmp_path):
    made = open_store(tmp_path / "s.sqlite", RealClock())
    yield made
    made.close()


@pytest.mark.parametrize("name", sorted(entry_points(group="saltern.outlets").names))
def test_every_outlet_keeps_the_rules(name):
    kind = entry_points(group="saltern.outlets")[name].load()

    assert isinstance(kind, OutletKind)
    assert kind.table is None or (kind.table.__doc__ and kind.table.model_config["frozen"])
    assert kind.table is None or kind.table.model_config["extra"] == "forbid"


def test_a_strangers_outlet_is_asked_for_opened_and_closed(buoy, store, tmp_path):
    bench = config(outlets={"buoy": {"channel": 3}})
    with outlets(lambda: bench, tmp_path, store, RealClock(), lambda: True) as found:
        (lamp,) = found.open
        found.update({"last": None})
        assert (lamp.table.channel, lamp.bench, lamp.seen, lamp.closed) == (3, bench.name, [{"last": None}], False)
    assert lamp.closed
    assert reaches(bench) == ["the lamp on channel 3"]


def test_what_is_wrong_with_its_table_is_reported_by_the_file_as_a_whole(buoy):
    with pytest.raises(StartupError) as refused:
        config(outlets={"buoy": {"chanel": 3}, "mqtt": {"host": "here", "port": 70000}, "smoke": {}})

    said = str(refused.value)
    for what in (
        "outlets.buoy.channel",
        "outlets.buoy.chanel",
        "outlets.mqtt.port",
        "outlets.smoke",
        "buoy, metrics, mqtt, notify, page",
    ):
        assert what in said


def test_an_outlet_that_another_table_asks_for_has_none_of_its_own():
    with pytest.raises(StartupError, match=r"outlets.notify.*has no table of its own.*alerts.urls_file"):
        config(outlets={"notify": {}})


def test_the_tables_of_the_first_version_are_read_as_those_of_today():
    former = config(mqtt={"host": "broker.lan"}, metrics={"textfile": "m.prom"})
    today = config(outlets={"mqtt": {"host": "broker.lan"}, "metrics": {"textfile": "m.prom"}})

    assert former == today
    assert set(wanted(former)) == {"mqtt", "metrics"}
    assert extras(former) == ["mqtt", "metrics"]
    with pytest.raises(StartupError, match=r"\[mqtt\] and \[outlets.mqtt\] are the same table"):
        config(mqtt={"host": "a"}, outlets={"mqtt": {"host": "b"}})


@pytest.mark.parametrize(
    ("name", "library", "tables"),
    [
        ("mqtt", "paho", {"outlets": {"mqtt": {"host": "127.0.0.1"}}}),
        ("metrics", "prometheus_client", {"outlets": {"metrics": {"textfile": "m.prom"}}}),
        ("alerts", "apprise", {"alerts": {"urls_file": "urls"}}),
    ],
)
def test_a_library_that_is_not_there_is_named_with_its_extra(monkeypatch, store, tmp_path, name, library, tables):
    (tmp_path / "urls").write_text("json://localhost/\n")
    (tmp_path / "urls").chmod(0o600)
    found = builtins.__import__

    def without(wanted_name, *rest):
        if wanted_name.split(".")[0] == library:
            raise ModuleNotFoundError(f"No module named {library!r}", name=library)
        return found(wanted_name, *rest)

    monkeypatch.setattr(builtins, "__import__", without)
    bench = config(**tables)
    opened = outlets(lambda: bench, tmp_path, store, RealClock(), lambda: True)
    with pytest.raises(ConfigError, match=rf"{library} is not installed") as refused, opened:
        pass
    assert f"-e '.[{name}]'" in refused.value.remedy


def test_the_schema_and_the_check_know_the_strangers_table(buoy, tmp_path):
    path = tmp_path / "bench.toml"
    path.write_text(to_toml({**bench_table(), "outlets": {"buoy": {"channel": "x"}}}))

    code, _, err = run("check", str(path))
    assert code == 2
    assert "outlets.buoy.channel" in err
    schema = json.loads(run("check", "--schema")[1])
    assert set(schema["properties"]["outlets"]["properties"]) == {"buoy", "metrics", "mqtt", "page"}


def test_no_fault_of_one_look_ends_the_rounds(monkeypatch):
    looks, done = [], []

    def look():
        looks.append(len(looks))
        if len(looks) == 1:
            raise ValueError("a library's mistake")
        if len(looks) == 2:
            raise StorageError("cannot be read", where="here", remedy="Wait")
        return len(looks) > 3

    rounds = Rounds("buoy", look, every_s=0.001, after_failure_s=0.002, at_end=lambda: done.append(True) or True)
    rounds.start()
    until(lambda: len(looks) > 5)
    assert not done
    rounds.close(5.0)

    assert done == [True]
    assert rounds.ending


def test_our_outlets_are_of_the_protocol():
    from saltern.publish.mqtt import MqttOutlet
    from saltern.publish.notify import NotifyOutlet
    from saltern.publish.openmetrics import MetricsOutlet

    members = {name for name in Outlet.__dict__ if not name.startswith("_")}
    assert members == {"update", "close"}
    assert all(members <= set(dir(outlet)) for outlet in (MqttOutlet, NotifyOutlet, MetricsOutlet))
