"""The power is cut, or the process killed, at the instants of a determination at which anything happens at all.

Of the instants that `every_instant` plays all, a slice; of those at which time was seen to move, some with the whole
next determination after the death. Commits are met from both sides: just before one and just after. In `make soak`
every tenth instant with what follows, and every commit.
"""

import re
import sqlite3
import sys
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from saltern.cli.logs import quiet_logs
from saltern.cli.simulated_computer import ProcessDeath
from saltern.cli.simulation import Stage, bench_of
from saltern.records.store import Store
from saltern_drivers.twin.scenario import Scenario
from tests.faults.campaign import SOUND_SEEDS, Case, play
from tests.processes import run
from tests.sizes import sizes

ROOT = Path(__file__).parents[2]
SEED = SOUND_SEEDS[0]


def instants():
    """Return every instant of the first determination; another one follows at once."""
    quiet_logs()
    scenario = Scenario.model_validate({"seed": SEED, "days": 0.02, "schedule": {"every_h": 1.0}})
    stage = Stage(scenario, bench_of(scenario, Path()), ":memory:")
    seen = []
    stage.clock.attach(seen.append)
    stage.play_until(0.02 * 86400.0)
    done = stage.log.outcomes[0]
    stage.close()
    return sorted({at_s for at_s in seen if at_s <= done.finished_s})


def evenly(found, count):
    """Return so many of them, spread over all; every tenth where no number is given."""
    return found[:: max(1, len(found) // count)] if count else found[::10]


def commits_of_one():
    """Return how many times the first determination commits."""
    count = 0

    @contextmanager
    def counted(self, what):
        nonlocal count
        count += 1
        with WRITING(self, what) as connection:
            yield connection

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Store, "writing", counted)
        instants()
    return count


WRITING = Store.writing


@pytest.mark.parametrize("kind", ["power-cut", "process-killed"])
def test_a_death_at_any_move_of_time_or_pin_leaves_a_bench_that_comes_to_rest_by_itself(kind):
    """In a process of its own, which splits at every instant and must have no other threads."""
    words = [sys.executable, "-m", "tests.faults.every_instant", "400", kind]
    found = run(*words, cwd=ROOT)

    told = re.fullmatch(rf"{kind}: (\d+) moves of time, (\d+) changes of pins, 0 violated\n", found.stdout)
    assert told is not None, found.stdout + found.stderr
    assert min(map(int, told.groups())) >= 12


def test_with_protection_off_deaths_are_seen_to_harm():
    """Neither the memory of stages nor the proof of empty: a start after a death adds to what stands there."""
    program = (
        "from tests.faults.every_instant import die_everywhere\n"
        "played = die_everywhere('power-cut', 1000, ('memory of stages', 'proof of empty'), goes_on_every=1)\n"
        "print(sorted({name for _, _, violated in played for name in violated}))"
    )
    found = run(sys.executable, "-c", program, cwd=ROOT)

    assert found.returncode == 0, found.stderr
    assert "empty is proved before a restarted service adds" in found.stdout


@pytest.mark.slow
@pytest.mark.parametrize("count", sizes(5, in_soak=None))
@pytest.mark.parametrize("kind", ["power-cut", "process-killed"])
def test_whenever_it_dies_it_starts_again_by_emptying_and_loses_nothing(kind, count):
    violated = {}
    every = evenly(instants(), count)
    for at_s in every:
        case = Case(SEED, ({"kind": kind, "at_h": at_s / 3600.0, "for_h": 0.01},))
        outcome = play(case, determinations=2)
        if outcome.violated:
            violated[at_s] = outcome.violated

    assert violated == {}
    assert len(every) >= 5


class MortalStore:
    """Lets the process die at its nth commit: before it is made, or after."""

    def __init__(self, nth, side):
        self.nth, self.side = nth, side
        self.written, self.died, self.stage = 0, False, None

    def writing(self):
        @contextmanager
        def mortal(store, what):
            self.written += 1
            dies = self.written == self.nth
            with WRITING(store, what) as connection:
                yield connection
                if dies and self.side == "before":
                    self._die()
            if dies:
                self._die()

        return mortal

    def _die(self):
        self.died = True
        if self.stage is not None:
            self.stage.computer.lose(powered=True)
        raise ProcessDeath


@pytest.mark.parametrize("count", sizes(5, in_soak=1000))
@pytest.mark.parametrize("side", ["before", "after"])
def test_a_commit_is_there_whole_or_not_at_all(side, count, tmp_path, monkeypatch):
    """The process dies at a commit; the database is sound, and the next start finds what was acknowledged."""
    quiet_logs()
    scenario = Scenario.model_validate({"seed": SEED, "days": 0.06, "schedule": {"every_h": 1.0}})
    for nth in evenly(list(range(2, commits_of_one())), count):
        path, mortal = tmp_path / f"{side}-{nth}.sqlite", MortalStore(nth, side)
        with monkeypatch.context() as patch:
            patch.setattr(Store, "writing", mortal.writing())
            stage = mortal.stage = Stage(scenario, bench_of(scenario, tmp_path), str(path))
            stage.play_until(0.06 * 86400.0)
        verdicts = [d.alkalinity.verdict.value for d in stage.log.outcomes]
        stage.close()

        assert mortal.died
        assert stage.play.bound_held
        assert stage.play.world.spilled.spilled_ml == 0.0
        told = {alert.code for service in stage.log.services for alert in service.raised}
        assert verdicts[-1:] == ["accepted"] or "not-recovered" in told, (nth, verdicts)  # a dry cell proves nothing
        with closing(sqlite3.connect(path)) as database:
            assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)
