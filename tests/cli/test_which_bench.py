"""Which bench a command means, and what of it a sitter may read."""

import json
import os
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from unittest import mock

import pytest

from saltern.config import paths as places
from saltern.config.loading import bench_from
from saltern.config.paths import (
    bench_file_of,
    default_bench,
    instance_of,
    records_path,
    runtime_folder,
    socket_path,
    unit_of,
)
from saltern.errors import ConfigError
from saltern.rpc.server import Server
from tests.cli.command import run
from tests.toml import to_toml
from tests.twin_bench import bench_table


@pytest.fixture
def tmp_path():
    """A folder with a short name: a socket's path has 100 bytes."""
    with TemporaryDirectory(prefix="saltern-") as folder:
        yield Path(folder)


@pytest.fixture
def root(tmp_path, monkeypatch):
    """A computer's own folders, with a bench installed."""
    monkeypatch.setenv("SALTERN_ROOT", str(tmp_path))
    monkeypatch.delenv("RUNTIME_DIRECTORY", raising=False)
    for name in ("etc/saltern", "var/lib/saltern/bench", "run/saltern/bench"):
        (tmp_path / name).mkdir(parents=True)
    (tmp_path / "etc/saltern/bench.toml").write_text(to_toml(bench_table()))
    return tmp_path


def test_a_bench_file_in_etc_is_an_instance_and_any_other_is_none(root, monkeypatch):
    etc = root / "etc/saltern"
    assert instance_of(etc / "reef.toml") == "reef"
    monkeypatch.chdir(etc)
    assert instance_of(Path("reef.toml")) == instance_of(etc / "../saltern/reef.toml") == "reef"
    assert instance_of(etc / "old" / "reef.toml") is None
    assert instance_of(etc / "reef.txt") is None
    assert instance_of(etc / ".toml") is None
    assert default_bench() == etc / "bench.toml"
    assert (unit_of("bench"), unit_of("reef")) == ("saltern", "saltern@reef")


@pytest.mark.parametrize("name", ["", "../x", "a/b", "-x", ".hidden", "a b"])
def test_what_cannot_be_an_instance_is_refused(name):
    with pytest.raises(ConfigError, match="cannot be the name"):
        bench_file_of(name)


def test_records_and_socket_go_by_the_instance_unless_the_bench_file_says_otherwise(root):
    file, plain = root / "etc/saltern/bench.toml", bench_from(bench_table(), where="test")
    assert records_path(plain, file) == root / "var/lib/saltern/bench/saltern.sqlite"
    assert socket_path(plain, file) == root / "run/saltern/bench/saltern.sock"
    named = {"records": {"path": "r.sqlite"}, "service": {"socket": "s.sock"}}
    relative = bench_from(bench_table(named), where="test")
    assert records_path(relative, file) == root / "var/lib/saltern/bench/r.sqlite"
    assert socket_path(relative, file) == root / "run/saltern/bench/s.sock"
    named = {"records": {"path": "/data/r.sqlite"}, "service": {"socket": "/data/s.sock"}}
    absolute = bench_from(bench_table(named), where="test")
    assert str(records_path(absolute, file)) == "/data/r.sqlite"
    assert str(socket_path(absolute, file)) == "/data/s.sock"
    elsewhere = root / "home/my.toml"
    assert records_path(plain, elsewhere) == root / "home/saltern.sqlite"
    assert socket_path(plain, elsewhere) == root / "home/kelp-room.sock"


def test_records_beside_an_installed_bench_file_are_not_left_behind(root):
    (root / "etc/saltern/saltern.sqlite").write_text("years of results")
    found = records_path(bench_from(bench_table(), where="test"), root / "etc/saltern/bench.toml")
    assert found == root / "etc/saltern/saltern.sqlite"


def test_systemd_says_which_folder_lives_as_long_as_the_service(root, monkeypatch):
    assert runtime_folder(root / "etc/saltern/bench.toml") == root / "run/saltern/bench"
    assert runtime_folder(root / "my.toml") is None
    monkeypatch.setenv("RUNTIME_DIRECTORY", "/run/a:/run/b")
    assert str(runtime_folder(root / "my.toml")) == "/run/b"


def test_a_folder_that_may_not_be_entered_is_no_error(root):
    with mock.patch.object(places, "configuration", return_value=root / "etc/saltern/bench.toml/x"):
        assert default_bench() is None


@pytest.mark.usefixtures("root")
def test_an_operators_words_may_begin_with_a_bench_file(tmp_path):
    other = tmp_path / "other.toml"
    other.write_text(to_toml(bench_table({"name": "other-room"})))
    for words, done in (
        (("hold", "6"), "hold 6"),
        (("hold", str(other), "2.5"), "hold 2.5"),
        (("hold", "--bench", str(other), "0"), "hold 0"),
        (("part", "replaced", "titrant"), "part replaced titrant"),
        (("part", str(other), "emptied", "waste"), "part emptied waste"),
        (("reset",), "reset"),
        (("bypass", "clock", "1", "no network"), "bypass clock 1 no network"),
    ):
        code, out, err = run(*words)
        assert code == 0, err
        assert f"Done: {done}." in out
    assert (tmp_path / "saltern.sqlite").exists()
    assert (tmp_path / "var/lib/saltern/bench/saltern.sqlite").exists()


@pytest.mark.usefixtures("root")
@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("hold",), "Missing argument"),
        (("hold", "a.toml", "6", "7"), "Say: saltern hold HOURS"),
        (("hold", "six"), "not a number of hours"),
        (("hold", "73"), "From 0 to 72"),
        (("bypass", "clock", "0.01", "why"), "From 0.1 to 72"),
        (("part", "replaced"), "Say: saltern part ACT NAME"),
    ],
)
def test_words_that_are_no_command_are_refused(words, said):
    code, _, err = run(*words)
    assert code == 2
    assert said in err


def test_who_may_read_neither_bench_file_nor_records_is_answered_by_the_service(root, monkeypatch):
    result = {
        "id": 7,
        "source": "tank",
        "started_utc": datetime(2026, 3, 2, 6, 0, tzinfo=UTC).isoformat(),
        "alkalinity": {"umol_per_kg": 2450.0, "dkh": 7.04, "u": 5.0, "verdict": "accepted", "reasons": []},
        "ph_total": {"value": 8.05, "u": 0.01, "verdict": "accepted", "reasons": []},
        "salinity": {"value": 35.0, "u": None, "verdict": "suspect", "reasons": []},
    }
    asked = []

    def results(params):
        asked.append(params.limit)
        return {"time_zone": "Europe/Berlin", "alkalinity_unit": "dKH", "determinations": [result]}

    server = Server(root / "run/saltern/bench/saltern.sock", {"results": results})
    may = os.access
    hidden = root / "etc/saltern/bench.toml"
    monkeypatch.setattr(os, "access", lambda path, mode: path != hidden and may(path, mode))
    try:
        code, out, err = run("results", "--limit", "500")
        as_json = json.loads(run("results", "--json")[1])
    finally:
        server.close()
    assert (code, err) == (0, "")
    assert "02 Mar" in out
    assert "accepted" in out
    assert "Europe/Berlin" in out
    assert as_json["determinations"] == [result]
    assert asked == [100, 20]
