"""The service as it is installed, run on a header: `saltern daemon` in a process of its own."""

import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from saltern.errors import NotRunningError, SalternError
from saltern.rpc.client import Client
from tests.real.header import Header
from tests.toml import to_toml
from tests.twin_bench import bench_table

HANGS_AFTER_S = 120.0
"""A service that has not come so far by then will not: a safety net, and no measure of anything."""


def bench_here(example: str, folder: Path, changes: dict[str, Any]) -> tuple[Path, dict[str, Any]]:
    """Write an example bench with its records and socket in a folder; return the file, and its table."""
    table = bench_table(changes, example)
    table["records"] = {"path": str(folder / "saltern.sqlite")}
    table["service"] = {"socket": str(folder / "bench.sock")}
    path = folder / "bench.toml"
    path.write_text(to_toml(table))
    commission(path)
    return path, table


def commission(bench: Path) -> None:
    """Say, as its user would, that the bench may be used."""
    words = ["commission", "--records-only", "a test", "the lines lead where the world says", "--bench", str(bench)]
    subprocess.run([sys.executable, "-m", "saltern.cli.main", *words], check=True, capture_output=True, timeout=60)


class Service:
    """One running service."""

    def __init__(self, process: "subprocess.Popen[bytes]", bench: Path, log: Path) -> None:
        self.process = process
        self.bench = bench
        self.log = log
        self.voids_answered = self.voids()

    def voids(self) -> int:
        """Return how many determinations have ended as void, of this life and those before it."""
        return self.log.read_text(errors="replace").count('"verdict": "void"')

    def ask(self, method: str, **words: Any) -> dict[str, Any]:
        with Client(self.bench.parent / "bench.sock") as client:
            return client.call(method, **words)

    def wait_until_ready(self) -> None:
        self.wait_for(lambda: self.ask("status") is not None, "it answers")

    def wait_for(self, holds: Any, what: str, within_s: float = HANGS_AFTER_S) -> None:
        """Wait until something holds; a dead service is an error at once."""
        deadline = time.monotonic() + within_s
        while True:
            if self.process.poll() is not None:
                raise AssertionError(f"the service ended ({self.process.returncode}):\n{self.said()}")
            try:
                if holds():
                    return
            except (NotRunningError, SalternError, OSError):
                pass
            if time.monotonic() > deadline:
                raise AssertionError(f"not within {within_s:g} s: {what}\n{self.said()}")
            time.sleep(0.1)

    def said(self) -> str:
        return self.log.read_text(errors="replace")[-6000:]

    def stop(self) -> int:
        """End it in order, and return its exit code."""
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(HANGS_AFTER_S)

    def kill(self) -> None:
        self.process.kill()
        self.process.wait()


@contextmanager
def running(header: Header, bench: Path) -> Iterator[Service]:
    """Run `saltern daemon` of this bench file on this header."""
    log = bench.parent / "service.log"
    with log.open("ab") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "saltern.cli.main", "daemon", str(bench)],
            env=header.environment() | {"RUNTIME_DIRECTORY": str(bench.parent)},
            stdout=out,
            stderr=subprocess.STDOUT,
        )
    try:
        yield Service(process, bench, log)
    finally:
        process.kill()
        process.wait()


def safe_off(header: Header, bench: Path) -> "subprocess.CompletedProcess[str]":
    """Run `saltern safe-off` as the unit does after a death of this bench's service."""
    return subprocess.run(
        [sys.executable, "-m", "saltern.cli.main", "safe-off"],
        env=header.environment() | {"RUNTIME_DIRECTORY": str(bench.parent)},
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
