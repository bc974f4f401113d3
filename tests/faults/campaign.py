"""Scenarios of what goes wrong, and what must never be so, judged by the twin's truth.

A case is a seed and its faults. `play` runs it through production code and drivers and returns which invariants were
violated. `cases_of_one` has every kind of fault at every phase, `cases_of_two` pairs of kinds at random phases.
"""

import itertools
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from saltern.cli.logs import quiet_logs
from saltern.cli.simulation import Stage, bench_of, run
from saltern.config.tables import BenchConfig
from saltern_drivers.twin.scenario import FAULTS, Scenario
from tests.faults.judge import Judge, Outcome

MEMORY = Path("/dev/shm")
"""Where a computer has a file system in memory: a case makes some thousand commits."""

EVERY_H, DETERMINATIONS, STRUCK = 1.0, 4, 3
"""Hours between two starts, so many starts, and the determination that is struck: that of the second start, for the
first result of a bench is measured twice."""

PHASES = (
    "idle",
    "look",
    "permit of titrant",
    "discard tip",
    "empty",
    "permit of sample",
    "rinse",
    "empty after rinse",
    "fill",
    "measure",
    "titrate",
    "evaluate",
    "empty-after",
    "keep-wet",
)
PUMPS = ("sample", "waste", "titrant")
SOUND_SEEDS = (46, 61, 71, 92, 104, 106, 115, 117, 119)
"""Benches whose own errors, drawn once for all, are less than what they state: one of 3.5 comes once in two thousand
draws, and would be told as a lie of whatever fault it was drawn with."""

OF_A_PUMP = {"head-leak", "pump-gain-shift", "permit-stuck-on"}

DRAWN_ALONE = {
    "board-reboot", "brown-out", "cell-film", "control-stall", "direction-wire-dead", "float-stuck-wet", "ground-loop",
    "record-damaged", "sd-stall", "siphon-through-head", "steps-lost", "tube-off",
}  # fmt: skip
"""Faults that `drawn` alone plays, with sizes: what is here has none."""
KINDS = sorted(set(FAULTS) - DRAWN_ALONE)


@dataclass(frozen=True)
class Case:
    """One scenario."""

    seed: int
    faults: tuple[dict[str, Any], ...]
    persist: bool = True

    @property
    def kinds(self) -> set[str]:
        return {fault["kind"] for fault in self.faults}

    def __str__(self) -> str:
        told = " + ".join(
            f"{f['kind']} {f.get('pump', '')} at {f.get('at_phase', 'rest')}, {f.get('after_s', 0):.0f} s"
            for f in self.faults
        )
        return f"{told} (seed {self.seed}, outputs {'persist' if self.persist else 'are released'})"


def fault(kind: str, phase: str, after_s: float, for_h: float | None, pump: str | None) -> dict[str, Any]:
    """Return a fault that strikes in the determination of the second start, or at rest before it."""
    when: dict[str, Any] = {"at_phase": phase, "determination": STRUCK, "after_s": after_s}
    if phase == "idle":
        when = {"at_h": 0.75 * EVERY_H + after_s / 3600.0}
    made = {"kind": kind, **when}
    if for_h is not None:
        made["for_h"] = for_h
    if pump is not None:
        made["pump"] = pump
    return made


def cases_of_one() -> Iterator[Case]:
    """Every kind at every phase, under both behaviours of outputs; for good, or for a quarter of an hour."""
    for number, (kind, phase) in enumerate(itertools.product(KINDS, PHASES)):
        pump = PUMPS[number % 3] if kind in OF_A_PUMP else None
        for_h = None if number % 2 else 0.25
        yield Case(
            SOUND_SEEDS[number % len(SOUND_SEEDS)],
            (fault(kind, phase, float(number % 7), for_h, pump),),
            persist=(number + number // len(PHASES)) % 2 == 0,
        )


def cases_of_two(seed: int = 5) -> Iterator[Case]:
    """All pairs of kinds, at random phases."""
    random = np.random.default_rng(seed)
    for number, pair in enumerate(itertools.combinations(KINDS, 2)):
        made = []
        for kind in pair:
            pump = str(random.choice(PUMPS)) if kind in OF_A_PUMP else None
            for_h = None if random.random() < 0.5 else float(random.uniform(0.05, 0.5))
            made.append(fault(kind, str(random.choice(PHASES)), float(random.uniform(0.0, 30.0)), for_h, pump))
        yield Case(SOUND_SEEDS[number % len(SOUND_SEEDS)], tuple(made), persist=bool(random.random() < 0.5))


def scenario_of(case: Case, determinations: int = DETERMINATIONS) -> Scenario:
    """Return the scenario of a case."""
    return Scenario.model_validate(
        {
            "seed": case.seed,
            "days": (determinations * EVERY_H - 0.05) / 24.0,
            "schedule": {"every_h": EVERY_H},
            "fault": list(case.faults),
        }
    )


def play_and_report(case: Case) -> dict[str, Any]:
    """Run a case and return what `saltern simulate` would."""
    quiet_logs()
    return run(scenario_of(case), Path())


def play(
    case: Case,
    build: Callable[[BenchConfig], BenchConfig] = lambda config: config,
    determinations: int = DETERMINATIONS,
) -> Outcome:
    """Run a case, and judge it by the limits of the default bench; `build` makes of it the one that is played on."""
    return play_scenario(scenario_of(case, determinations), case.faults, determinations, build, persist=case.persist)


def play_scenario(
    scenario: Scenario,
    faults: Sequence[Mapping[str, Any]],
    determinations: int,
    build: Callable[[BenchConfig], BenchConfig] = lambda config: config,
    *,
    persist: bool = True,
) -> Outcome:
    """Run a scenario of so many determinations, and judge it: see `Judge`."""
    quiet_logs()
    with tempfile.TemporaryDirectory(dir=MEMORY if MEMORY.is_dir() else None) as folder:
        records = Path(folder) / "saltern.sqlite"
        config = bench_of(scenario, Path(folder))
        stage = Stage(scenario, build(config), str(records), outputs_persist=persist)
        stage.log.collect = lambda: None  # type: ignore[method-assign]  # nobody but the judge reads the records
        judge = Judge(stage, faults, records, config.limits, determinations)
        try:
            stage.play_until(scenario.days * 86400.0)
            judge.judge()
        except Exception as error:  # noqa: BLE001 - whatever ends the service is what is looked for
            judge.found.demand("the service goes on", False, repr(error))
        finally:
            judge.file.close()
            stage.close()
    return judge.found
