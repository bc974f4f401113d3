"""What a running bench costs: scans, commits, records, disk, memory, cold starts; each beside a peer of the same run.

python -m tests.benchmarks.running_costs
"""

import gc
import os
import resource
import signal
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from importlib.metadata import PackageNotFoundError, distribution
from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple

from packaging.requirements import Requirement

from saltern.bench.waiting import MOVING_SCAN_S
from saltern.cli.logs import quiet_logs
from saltern.cli.simulation import WARM_UP_S, Stage, bench_of
from saltern.clock import RealClock, VirtualClock
from saltern.records.opening import open_for_reading, open_store
from saltern_drivers.twin.scenario import Scenario
from tests.records.test_upkeep import LEDGER, fill
from tests.toml import to_toml
from tests.twin_bench import TwinBench, bench_table

TIMES = 9
SCANS, COMMITS, TICKS = 2000, 200, 100
FIVE_YEARS = 5 * 365 * 6
IDLE_FOR_S = 60.0
DAY_S = 86400.0
AIM_MIN, AIM = 8.0, "the aim, 8 min"
BUDGET_MB, BUDGET = 100.0, "the budget of a day, 100 MB"

LEAST_COMMAND = """
import typer
from rich.console import Console
app = typer.Typer()
app.command()(lambda name="": Console().print("hello"))
app()
"""
"""The least that Typer and Rich can run: Typer loads what it needs when a command is built, pydantic among it."""

LIBRARIES_ALONE = """
import signal, apscheduler.schedulers.background, gpiozero, gsw, numpy, pydantic, rich.console, serial, structlog, typer
signal.pause()
"""


class Figure(NamedTuple):
    """What something costs, and the peer that it is held against; the ratio is its cost over the peer's."""

    of: str
    value: float
    unit: str
    peer: str
    ratio: float


def show(figures: Iterator[Figure]) -> list[dict[str, Any]]:
    """Print figures as they come; return them for JSON."""
    shown = []
    for figure in figures:
        print(f"{figure.of:46} {figure.value:12.4g} {figure.unit:9} {figure.ratio:8.3g} x {figure.peer}", flush=True)
        shown.append(figure._asdict())
    return shown


def each_s(*actions: Callable[[], object], times: int = TIMES) -> list[float]:
    """Return the median time of each action; they take turns, so that the machine's moods hit all alike."""
    took: list[list[float]] = [[] for _ in actions]
    gc.disable()
    for _ in range(times):
        for kept, action in zip(took, actions, strict=True):
            begun_s = time.perf_counter()
            action()
            kept.append(time.perf_counter() - begun_s)
    gc.enable()
    return [statistics.median(kept) for kept in took]


# Scans -----------------------------------------------------------------------------


def scans() -> Iterator[Figure]:
    """A scan of every row and input; beside it, the reading of the four inputs through gpiozero and no more."""
    twin = TwinBench()
    guard, pins = twin.bench.guard, [twin.play.wires.pins.pin(number) for number in inputs(twin)]

    def scanned() -> None:
        for _ in range(SCANS):
            guard.scan()

    def read() -> None:
        for _ in range(SCANS):
            for pin in pins:
                _ = pin.state

    ours_s, peer_s = each_s(scanned, read)
    yield Figure("a scan, pumps at rest", 1e6 * ours_s / SCANS, "us", "reading its inputs alone", ours_s / peer_s)

    late_s, peer_late_s = lateness(lambda: guard.scan(("sample",))), lateness(lambda: None)
    name = f"lateness of one {MOVING_SCAN_S:g} s after another, median"
    yield Figure(name, 1e3 * late_s, "ms", "the same sleeps with no scan", late_s / peer_late_s)
    twin.bench.close()


def inputs(twin: TwinBench) -> list[int]:
    return [table["pin"] for table in twin.config.model_dump()["switches"].values() if table and "pin" in table]


def lateness(action: Callable[[], object]) -> float:
    """Return by how much more than `MOVING_SCAN_S` actions come apart that are slept for, median, on a real clock."""
    clock, at_s = RealClock(), []
    for _ in range(TICKS):
        action()
        at_s.append(clock.monotonic())
        clock.sleep(MOVING_SCAN_S)
    return statistics.median(later - earlier - MOVING_SCAN_S for earlier, later in pairwise(at_s))


# Records ---------------------------------------------------------------------------


def commits(folder: Path) -> Iterator[Figure]:
    """The ledger, as before each motion: in the records, and in the small file beside them."""
    store = open_store(folder / "records.sqlite", VirtualClock())
    bare = sqlite3.connect(folder / "bare.sqlite", isolation_level=None)
    bare.execute("PRAGMA journal_mode = WAL")
    bare.execute("PRAGMA synchronous = FULL")
    bare.execute("CREATE TABLE ledger (low REAL, high REAL)")

    def ours() -> None:
        for n in range(COMMITS):
            store.commit_ledger(replace(LEDGER, titrant_run_ml=n * 0.01), "benchmark")

    def peer() -> None:
        for n in range(COMMITS):
            bare.execute("INSERT INTO ledger VALUES (?, ?)", (n, n + 1))

    ours_s, peer_s = each_s(ours, peer, times=3)
    yield Figure("a commit of the ledger", 1e3 * ours_s / COMMITS, "ms", "SQLite's durable insert", ours_s / peer_s)
    bare.close()
    store.close()


def five_years(folder: Path) -> Iterator[Figure]:
    """Five years at six a day: their size, and what a keeper asks of them."""
    path = folder / "five-years.sqlite"
    store = open_store(path, VirtualClock())
    determination = TwinBench().determine()
    fill(path, store, determination, FIVE_YEARS)
    store.close()
    size = sum(each.stat().st_size for each in folder.glob("five-years.sqlite*"))
    with closing(sqlite3.connect(path)) as connection:
        (text,) = connection.execute(
            "SELECT sum(length(started_utc) + 4 * 8) FROM determination"  # time, alkalinity, u, pH, salinity
        ).fetchone()
    yield Figure("records of five years", size / 1e6, "MB", "their times and four numbers", size / text)

    reader, plain = open_for_reading(path, VirtualClock()), sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    columns = "started_utc, alkalinity_umol_kg, alkalinity_u_umol_kg, ph_total, salinity"
    in_2028 = "started_utc >= '2028-01-01' AND started_utc < '2029-01-01'"
    asked = {
        "a year of v_results": (
            lambda: reader.rows(f"SELECT {columns} FROM v_results WHERE source = 'tank' AND {in_2028}"),
            lambda: plain.execute(
                f"SELECT started_utc, id FROM determination WHERE source = 'tank' AND {in_2028}"
            ).fetchall(),
            "its times and numbers alone",
        ),
        "the newest ten with their curves": (
            lambda: reader.results(10),
            lambda: plain.execute("SELECT * FROM determination ORDER BY id DESC LIMIT 10").fetchall(),
            "their rows, undecoded",
        ),
    }
    for name, (ours, peer, of_peer) in asked.items():
        ours_s, peer_s = each_s(ours, peer)
        yield Figure(name, 1e3 * ours_s, "ms", of_peer, ours_s / peer_s)
    plain.close()
    reader.close()


# A service -------------------------------------------------------------------------


@contextmanager
def service(folder: Path) -> Iterator[tuple[subprocess.Popen[bytes], Path]]:
    """A service at rest, on the simulated bench in real time."""
    bench = folder / "bench.toml"
    bench.write_text(to_toml(bench_table({"schedule": {"at": ["23:59:00"]}})))
    words = [sys.executable, "-m", "saltern.cli.main", "daemon", str(bench)]
    process = subprocess.Popen(words, stderr=subprocess.DEVNULL)
    try:
        while not (folder / "kelp-room.sock").exists():
            time.sleep(0.05)
        yield process, bench
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(30)


def of_process(pid: int) -> tuple[float, float, float]:
    """Return processor time in s, resident memory in MB and bytes written so far; see proc(5)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    busy_s = (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    status = dict(line.split(":", 1) for line in Path(f"/proc/{pid}/status").read_text().splitlines())
    io = dict(line.split(": ") for line in Path(f"/proc/{pid}/io").read_text().splitlines())
    return busy_s, int(status["VmRSS"].split()[0]) / 1024.0, float(io["wchar"])


def processor_s(command: list[str]) -> float:
    """Return the median processor time of a command, user and system."""
    took = []
    for _ in range(TIMES):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        took.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return statistics.median(took)


def from_cold(bench: Path) -> Iterator[Figure]:
    """Processor time of common commands from cold, beside the least command that Typer and Rich can run."""
    least_s = processor_s([sys.executable, "-c", LEAST_COMMAND])
    bare_s = processor_s([sys.executable, "-c", "import typer, rich"])
    yield Figure("a command of two lines, from cold", least_s, "s", "import typer, rich", least_s / bare_s)
    for words in (["status"], ["log", "list"], ["show", "--help"], ["schedule"], ["check"]):
        took_s = processor_s([sys.executable, "-m", "saltern.cli.main", *words, *of_bench(words, bench)])
        yield Figure(f"saltern {' '.join(words)}, from cold", took_s, "s", "that command", took_s / least_s)


def of_bench(words: list[str], bench: Path) -> list[str]:
    return [] if "--help" in words else [str(bench)] if words == ["check"] else ["--bench", str(bench)]


def at_rest(pid: int) -> Iterator[Figure]:
    """A service that only looks: its processor time, memory and writes, beside the same libraries asleep."""
    peer = subprocess.Popen([sys.executable, "-c", LIBRARIES_ALONE])
    before = of_process(pid)
    time.sleep(IDLE_FOR_S)
    after, alone = of_process(pid), of_process(peer.pid)
    peer.terminate()
    peer.wait(30)
    share = (after[0] - before[0]) / IDLE_FOR_S
    yield Figure(
        "processor time at rest",
        100.0 * share,
        "% of one",
        "importing its libraries, once a minute",
        share * 60.0 / alone[0],
    )
    yield Figure("resident memory at rest", after[1], "MB", "its libraries alone, asleep", after[1] / alone[1])
    written_mb = (after[2] - before[2]) / IDLE_FOR_S * DAY_S / 1e6
    yield Figure("written at rest, reckoned for a day", written_mb, "MB", BUDGET, written_mb / BUDGET_MB)


def a_day(folder: Path) -> Iterator[Figure]:
    """A simulated day of six determinations, records on disk: what it writes, and where the minutes go."""
    scenario, steps = Scenario.model_validate({"seed": 3, "days": 1.0}), []
    before = of_process(os.getpid())[2]
    stage = Stage(scenario, bench_of(scenario, folder), str(folder / "a-day.sqlite"), steps.append)
    stage.play_until(DAY_S + WARM_UP_S)
    stage.close()
    written_mb = (of_process(os.getpid())[2] - before) / 1e6
    yield Figure("written in a simulated day", written_mb, "MB", BUDGET, written_mb / BUDGET_MB)

    outcomes = stage.log.outcomes
    length_s = statistics.median(d.finished_s - d.started_s for d in outcomes)
    yield Figure("a determination", length_s / 60.0, "min", AIM, length_s / 60.0 / AIM_MIN)
    in_phases: Counter[str] = Counter()
    for d in outcomes:
        ends_s = [(step.at_s, str(step.in_phase)) for step in steps if d.started_s <= step.at_s <= d.finished_s]
        for (at_s, phase), (until_s, _) in pairwise([*ends_s, (d.finished_s, "")]):
            in_phases[phase] += (until_s - at_s) / len(outcomes)
    for phase, took_s in in_phases.most_common(6):
        yield Figure(f"    of it, {phase}", took_s / 60.0, "min", "the determination", took_s / length_s)


# What is installed -----------------------------------------------------------------


def installed() -> Iterator[Figure]:
    """The environment: Saltern and what it requires, by the files of each distribution."""
    sizes = {name: size_of(name) for name in sorted(required("saltern"))}
    whole, numpy = sum(sizes.values()), sizes["numpy"]
    yield Figure(f"Saltern and {len(sizes) - 1} distributions", whole / 1e6, "MB", "numpy", whole / numpy)
    yield Figure("Saltern alone", own_size() / 1e6, "MB", "numpy", own_size() / numpy)


def required(name: str) -> set[str]:
    """Return the names of a distribution and of all that it requires here, extras aside."""
    found, to_look = set[str](), [name]
    while to_look:
        one = to_look.pop()
        if one in found:
            continue
        try:
            said = distribution(one).requires or []
        except PackageNotFoundError:
            continue
        found.add(one)
        for each in map(Requirement, said):
            if each.marker is None or each.marker.evaluate({"extra": ""}):
                to_look.append(each.name.lower())
    return found


def size_of(name: str) -> int:
    files = distribution(name).files or []
    return sum(path.stat().st_size for file in files if (path := Path(str(file.locate()))).is_file())


def own_size() -> int:
    import saltern
    import saltern_drivers

    folders = [Path(package.__path__[0]) for package in (saltern, saltern_drivers)]
    return sum(path.stat().st_size for folder in folders for path in folder.rglob("*.py"))


def figures() -> Iterator[Figure]:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        yield from scans()
        yield from commits(folder)
        yield from five_years(folder)
        with service(folder) as (process, bench):
            yield from from_cold(bench)
            yield from at_rest(process.pid)
        yield from a_day(folder)
        yield from installed()


def main() -> list[dict[str, Any]]:
    quiet_logs()
    print(f"{'':46} {'':12} {'':9} {'ratio':>8}   peer")
    return show(figures())


if __name__ == "__main__":
    main()
