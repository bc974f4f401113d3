"""Real processes killed, or stopped and then killed, at random moments; the simulated world outlives them.

Five times on every run, two hundred with SALTERN_SOAK. The world goes on while no process runs, outputs as they were.
"""

import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

from saltern.config import bench_from
from saltern_drivers.twin.afterlife import VARIABLE, Afterlife
from tests.toml import to_toml
from tests.twin_bench import bench_table

TIMES = int(os.environ.get("SALTERN_KILLS", "200" if os.environ.get("SALTERN_SOAK") else "5"))
SEED = int(os.environ.get("SALTERN_KILL_SEED", "11"))
PACE = "150"
NEXT_START_WITHIN_S = 90.0
"""A start is due every half hour, which is 12 s here, and takes its time on a machine that has other things to do."""

STARTED_WITHIN_S = 30.0
LIVES_TO_A_RESULT = 10
"""Each tenth life is let live until it has measured: after any number of deaths the bench still does its work."""

LAST = "SELECT id, stage FROM ledger ORDER BY id DESC LIMIT 1"
ACCEPTED = "SELECT count(*) FROM determination WHERE alkalinity_verdict = 'accepted'"


VERIFIES = ("drain", "fill a little, so that emptying shows")
"""What a service does first after an unclean stop: empty, having wetted a dry cell where there is room (design, 4)."""


def start(bench, state):
    return subprocess.Popen(
        [sys.executable, "-m", "saltern.cli.main", "daemon", str(bench), "--pace", PACE],
        env={**os.environ, VARIABLE: str(state)},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def rows(path, query):
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as database:
        return database.execute(query).fetchall()


def wait(until, within_s=60.0):
    deadline = time.monotonic() + within_s
    while not until():
        assert time.monotonic() < deadline
        time.sleep(0.01)


def in_a_stage(records, before):
    """Return whether the ledger says that a stage is under way which began after that row."""
    return any(number > before and stage is not None for number, stage in rows(records, LAST))


def look_after(bench, records, state):
    """Do what the service asks of its keeper: after a death in mid-drain, its cell dry, only a person sees it empty.

    A dry cell proves nothing, and there is no room to wet it while the ledger does not know what the vessel holds.
    """
    ((high_ml,),) = rows(records, "SELECT vessel_high_ml FROM ledger ORDER BY id DESC LIMIT 1") or [(0.0,)]
    world = world_of(state)
    if high_ml < 100.0 or world["vessel"].mass_g > 12.0:
        return
    for _ in range(20):  # while it tries by itself it is at work
        words = [sys.executable, "-m", "saltern.cli.main", "part", str(bench), "emptied", "vessel"]
        if subprocess.run(words, capture_output=True, check=False, timeout=60).returncode == 0:
            return
        time.sleep(0.2)


def world_of(state):
    kept = Afterlife(Path(state))
    found = kept.found()
    kept.close()
    return found[0]


def test_killed_at_any_moment_it_verifies_first_and_loses_nothing(tmp_path):
    dice = random.Random(SEED)
    bench, state, records = tmp_path / "bench.toml", tmp_path / "world", tmp_path / "saltern.sqlite"
    table = bench_table({"schedule": {"every_h": 0.5}, "limits.titrant_per_day_ml": 5000.0, "titrant.bottle_ml": 5e4})
    table["waste"]["container_ml"] = 500_000.0
    bench.write_text(to_toml(table))
    config = bench_from(table, where="test")
    ceiling_ml = 1.15 * config.limits.titrant_per_run_ml
    acknowledged, unclean, last, was_open, results = set(), 0, 0, False, 0
    for life in range(TIMES):
        process = start(bench, state)
        begun = time.monotonic()
        while not (tmp_path / "kelp-room.sock").exists():
            assert process.poll() is None
            assert time.monotonic() - begun < STARTED_WITHIN_S
            time.sleep(0.02)
        if life % LIVES_TO_A_RESULT == LIVES_TO_A_RESULT - 1 or life == TIMES - 1:
            look_after(bench, records, state)
            before = rows(records, ACCEPTED)[0][0]
            wait(lambda before=before: rows(records, ACCEPTED)[0][0] > before, within_s=NEXT_START_WITHIN_S)
            results += 1
        elif life % 2 == 0:
            look_after(bench, records, state)
            wait(lambda before=last: in_a_stage(records, before), within_s=NEXT_START_WITHIN_S)
            time.sleep(dice.uniform(0.0, 0.1))
        else:
            time.sleep(dice.uniform(0.0, 9.0))
        if dice.random() < 0.3:
            process.send_signal(signal.SIGSTOP)
            time.sleep(0.2)
        process.kill()
        process.wait()
        (tmp_path / "kelp-room.sock").unlink()

        assert rows(records, "PRAGMA integrity_check") == [("ok",)]
        kept = {number for (number,) in rows(records, "SELECT id FROM determination")}
        assert acknowledged <= kept
        acknowledged = kept
        truth = world_of(state)["spilled"]
        assert truth.spilled_ml == 0.0
        assert truth.titrant_to_tank_ml == 0.0
        assert truth.peak_vessel_ml <= config.vessel.capacity_ml
        assert truth.max_titrant_in_one_run_ml <= ceiling_ml
        first = rows(records, f"SELECT stage FROM ledger WHERE id > {last} AND stage IS NOT NULL ORDER BY id LIMIT 1")
        if was_open and first:
            assert first[0][0] in VERIFIES
        ((last, stage),) = rows(records, LAST)
        was_open = stage is not None
        unclean += was_open

    assert unclean >= TIMES / 8
    assert results >= max(1, TIMES // LIVES_TO_A_RESULT)
