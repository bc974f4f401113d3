"""Real processes killed, or stopped and then killed, at random moments; the simulated world outlives them.

Five times on every run, two hundred in `make soak`. The world goes on while no process runs, outputs as they were.
"""

import random
import signal
from functools import partial
from pathlib import Path

import pytest

from saltern.config.loading import bench_from
from saltern_drivers.twin.afterlife import VARIABLE, Afterlife
from tests.processes import SALTERN, Service, rows, run
from tests.toml import to_toml
from tests.twin_bench import bench_table

PACE = 150
LIFE_PROCESSOR_S = 60
"""What one life may use at the most: a start is due every half hour, and needs about a second of it."""

SHORT_LIFE_PROCESSOR_S = 1.0
"""Up to so much is used by a life that ends at no particular moment."""

LIVES_TO_A_RESULT = 10
"""Each tenth life is let live until it has measured: after any number of deaths the bench still does its work."""

LAST = "SELECT id, stage FROM ledger ORDER BY id DESC LIMIT 1"
ASKS = "SELECT count(*) FROM alert WHERE code IN ('not-recovered', 'not-left-clean')"
ACCEPTED = "SELECT count(*) FROM determination WHERE alkalinity_verdict = 'accepted'"


VERIFIES = ("drain", "fill a little, so that emptying shows")
"""What a service does first after an unclean stop: empty, having wetted a dry cell where there is room (design, 4)."""


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
        if run(*SALTERN, "part", bench, "emptied", "vessel").returncode == 0:
            return


def count(records, query):
    return rows(records, query)[0][0] if records.exists() else 0


def measures(service, bench, records, state, asked):
    """Wait for one more accepted result; look after the bench when it asks more than it had before this life.

    Where the cell hangs is drawn: who looks from outside does not know whether it is dry.
    """
    wanted = count(records, ACCEPTED) + 1
    service.until(lambda: count(records, ACCEPTED) >= wanted or count(records, ASKS) > asked)
    if count(records, ACCEPTED) < wanted:
        look_after(bench, records, state)
    service.until(lambda: count(records, ACCEPTED) >= wanted)


def world_of(state):
    kept = Afterlife(Path(state))
    found = kept.found()
    kept.close()
    return found[0]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("times", "seed"), [(3, 11), *(pytest.param(200, seed, marks=pytest.mark.soak) for seed in (11, 12))]
)
def test_killed_at_any_moment_it_verifies_first_and_loses_nothing(tmp_path, times, seed):
    dice = random.Random(seed)
    bench, state, records = tmp_path / "bench.toml", tmp_path / "world", tmp_path / "saltern.sqlite"
    table = bench_table({"schedule": {"every_h": 0.5}, "limits.titrant_per_day_ml": 5000.0, "titrant.bottle_ml": 5e4})
    table["waste"]["container_ml"] = 500_000.0
    bench.write_text(to_toml(table))
    config = bench_from(table, where="test")
    ceiling_ml = 1.15 * config.limits.titrant_per_run_ml
    acknowledged, unclean, last, was_open, results = set(), 0, 0, False, 0
    for life in range(times):
        asked = count(records, ASKS)
        service = Service(bench, PACE, LIFE_PROCESSOR_S, **{VARIABLE: str(state)})
        service.until((tmp_path / "kelp-room.sock").exists)
        if life % LIVES_TO_A_RESULT == LIVES_TO_A_RESULT - 1 or life == times - 1:
            look_after(bench, records, state)
            measures(service, bench, records, state, asked)
            results += 1
        elif life % 2 == 0:
            look_after(bench, records, state)
            service.freeze(partial(in_a_stage, records, last), dice.uniform(0.0, 0.1))
        else:
            service.works(dice.uniform(0.0, SHORT_LIFE_PROCESSOR_S))
            if dice.random() < 0.3:
                service.signal(signal.SIGSTOP)
        service.kill()
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

    assert unclean >= times // 2 - times // LIVES_TO_A_RESULT
    assert results >= max(1, times // LIVES_TO_A_RESULT)
