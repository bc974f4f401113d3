"""`saltern alert test` names the ways that an alert goes, and fails where there is none."""

import pytest

from saltern.config.loading import load_bench, shipped_config
from saltern.config.tables import BenchConfig
from saltern.rpc.replies import REPLIES
from saltern.rpc.server import Server
from saltern.running.remote_reads import ways_of_alerts
from tests.cli.command import run
from tests.twin_bench import bench_table


def bench_with(changes):
    return BenchConfig.model_validate(bench_table(changes))


@pytest.mark.parametrize(
    ("changes", "ways"),
    [
        ({}, []),
        ({"alerts": {"urls_file": "notify-urls"}}, ["notification addresses in alerts.urls_file"]),
        ({"mqtt": {"host": "broker.example"}}, ["the broker on broker.example"]),
    ],
)
def test_the_ways_are_those_of_the_bench_file(changes, ways):
    assert ways_of_alerts(bench_with(changes)) == ways


def test_the_shipped_bench_has_none():
    assert ways_of_alerts(load_bench(shipped_config("bench-simulated.toml"))) == []


@pytest.mark.parametrize("ways", [[], ["the broker on broker.example", "notification addresses in alerts.urls_file"]])
def test_the_command_names_each_way_and_fails_without_one(tmp_path, ways):
    reply = {"sent": True, "ways": ways}
    REPLIES["alert-test"].model_validate(reply)
    server = Server(tmp_path / "saltern.sock", {"alert-test": lambda _: reply})
    try:
        code, out, err = run("alert", "test", "--socket", tmp_path / "saltern.sock")
    finally:
        server.close()
    assert code == (0 if ways else 1)
    assert [line.strip() for line in out.splitlines()[1:-1]] == ways
    assert ("names no way" in err) is not bool(ways)
