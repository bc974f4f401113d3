"""What a real service hands out by itself: its page, written and served, its metrics, and the copy of its records."""

import re
import urllib.request

from tests.cli.command import run
from tests.processes import Service, free_port, rows
from tests.toml import to_toml
from tests.twin_bench import bench_table


def test_page_metrics_and_copy_come_by_themselves(tmp_path, disk):
    port, path, name = free_port(), tmp_path / "bench.toml", bench_table()["name"]
    outlets = {"page": {"folder": "page", "address": "127.0.0.1", "port": port}, "metrics": {"textfile": "m.prom"}}
    schedule, records = {"every_h": 12.0, "conditions": ["never"]}, {"copy_to": str(disk)}  # so nothing is measured
    path.write_text(to_toml(bench_table({"outlets": outlets, "schedule": schedule, "records": records})))
    service = Service(path, 120.0)
    service.until(lambda: (tmp_path / "page" / "index.html").exists())
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/sitter.html") as answer:
        assert b"Call me" in answer.read()  # nothing has been measured yet
    service.until(lambda: "saltern_control_loop_timestamp_seconds{" in (tmp_path / "m.prom").read_text())
    service.until(lambda: rows(tmp_path / "saltern.sqlite", "SELECT 1 FROM state WHERE name = 'copied'"))
    code, said, _ = run("status", "--bench", path)
    assert code == 0
    assert re.search(r"^copy +\w+ .* in /dev/shm", said, re.MULTILINE)
    assert service.stop() == 0
    assert "the service was stopped" in (tmp_path / "page" / "index.html").read_text()
    assert rows(disk / f"{name}.sqlite", "PRAGMA integrity_check") == [("ok",)]
