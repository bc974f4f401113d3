"""Scenarios drawn by seed: the bench's truth, what fails, who dies, and what an operator says, rightly or not.

`drawn(seed, number)` gives the same scenario whenever it is asked. The first fault's kind and phase go through all of
them in turn; everything else is drawn. The truth is drawn apart from the bench file (`[twin] world = "apart"`).
"""

from collections.abc import Mapping
from copy import deepcopy
from dataclasses import dataclass
from math import exp, log
from typing import Any

import numpy as np

from saltern_drivers.twin.scenario import FAULTS, Scenario
from tests.faults.campaign import EVERY_H, PHASES, PUMPS, play_scenario
from tests.faults.judge import Outcome

KINDS = sorted(FAULTS)
DETERMINATIONS = 4

BENCHES = (12, 13, 22, 24, 41, 44, 60, 62)
"""Benches of the world "apart" that measure when nothing fails, whose own errors are within two of their stated
uncertainties in three determinations (`python -m tests.faults.benches`), and whose sample repeats to 0.13 %, as good as
a file says that has 0.1 %: what is then wrong is the fault's. A bench that repeats worse than its file says understates
its uncertainty by itself."""

UNTRIED_EVERY = 10
"""Each tenth bench is one that nobody tried: as it comes, with a permit that may hold four times too long."""

LAPSE_S = 0.5
LAPSE_STREAM = 7

SIZES: Mapping[str, tuple[float, float]] = {
    "head-leak": (0.05, 2.0),
    "drain-partial": (1.0, 12.0),
    "pump-gain-shift": (-0.12, -0.01),
    "titrant-line-air": (0.01, 0.3),
    "sample-line-air": (0.01, 0.12),
    "titrant-wrong-strength": (-0.5, -0.02),
    "ph-noisy": (0.5, 10.0),
    "ph-slope-lost": (0.8, 0.98),
    "ph-drift": (0.1, 2.0),
    "conductivity-bubble": (-0.4, -0.02),
    "temperature-offset": (0.3, 3.0),
    "overfill-switch-splash": (1.0, 10.0),
    "serial-garbled": (0.01, 0.2),
    "serial-late": (0.5, 4.0),
    "clock-step": (60.0, 40_000.0),
    "control-stall": (1.0, 20.0),
    "steps-lost": (0.01, 0.3),
    "cell-film": (0.1, 0.9),
    "brown-out": (0.3, 0.95),
    "ground-loop": (1.0, 20.0),
    "sd-stall": (1.0, 20.0),
    "board-reboot": (1.0, 10.0),
    "siphon-through-head": (0.02, 0.5),
}
"""Least and most; even in the logarithm."""

OF_A_PUMP = {
    "head-leak", "pump-gain-shift", "permit-stuck-on", "direction-wire-dead", "steps-lost", "tube-off", "brown-out",
    "siphon-through-head",
}  # fmt: skip
DEATHS = ("power-cut", "process-killed", "service-hang")
DAMAGED = (
    ("determination", "curve"),
    ("determination", "alkalinity_umol_kg"),
    ("ledger", "vessel_high_ml"),
    ("latch", "interlock"),
    ("alert", "text"),
    ("state", "value"),
)
SAID = (
    ["reset"],
    ["reset"],
    ["empty"],
    ["rinse"],
    ["measure"],
    ["hold", "0"],
    ["part", "emptied", "vessel"],
    ["part", "emptied", "waste"],  # nobody has emptied it
    ["part", "replaced", "titrant"],  # the bottle stands as it stood
    ["part", "installed", "sample-tube"],
    ["bypass", "temperature-fault", "1", "a try"],
    ["bypass", "overfill", "1", "a try"],
    ["proved", "overfill", "passed", "nobody"],
    ["nonsense"],
)


STANDARDISES, STANDARDISE = 0.15, ["standardise", "--alkalinity", "2200", "--u", "2"]
"""So often a keeper measures a reference meanwhile: a factor that a fault has spoilt is in force for months."""


@dataclass(frozen=True)
class Drawn:
    """A scenario as a table, and how it is played."""

    table: Mapping[str, Any]
    persist: bool = True
    determinations: int = DETERMINATIONS

    @property
    def faults(self) -> list[dict[str, Any]]:
        return list(self.table.get("fault", []))

    @property
    def kinds(self) -> set[str]:
        return {fault["kind"] for fault in self.faults}

    def play(self) -> Outcome:
        scenario = Scenario.model_validate(self.table)
        return play_scenario(scenario, self.faults, self.determinations, persist=self.persist)


def table_of(bench_seed: int, *, tried: bool = True, determinations: int = DETERMINATIONS) -> dict[str, Any]:
    """Return a scenario in which nothing fails, on a bench drawn apart from its file.

    Who has tried a bench has measured how long its permits hold: no longer than the file says.
    """
    twin: dict[str, Any] = {"world": "apart"}
    if tried:
        share = float(np.random.default_rng([bench_seed, LAPSE_STREAM]).uniform(0.5, 1.0))
        twin["truth"] = {"permit_lapse_s": round(LAPSE_S * share, 3)}
    return {
        "seed": bench_seed,
        "days": (determinations * EVERY_H - 0.05) / 24.0,
        "schedule": {"every_h": EVERY_H},
        "twin": twin,
    }


def drawn(seed: int, number: int) -> Drawn:
    """Return the scenario of a number."""
    random = np.random.default_rng([seed, number])
    tried = number % UNTRIED_EVERY != UNTRIED_EVERY - 1
    table = table_of(
        BENCHES[int(random.integers(len(BENCHES)))] if tried else int(random.integers(10_000)), tried=tried
    )
    table["keeper"] = {"attentive": bool(random.random() < 0.5)}
    first = KINDS[number % len(KINDS)], PHASES[(number + number // len(KINDS)) % len(PHASES)]
    wanted = [first]
    for odds in (0.45, 0.25):
        if random.random() < odds:
            wanted.append((str(random.choice(KINDS)), str(random.choice(PHASES))))
    if random.random() < 0.3:
        wanted.append((str(random.choice(DEATHS)), str(random.choice(PHASES))))
    faults: list[dict[str, Any]] = []
    for kind, phase in wanted:
        made = _fault(kind, phase, random)
        if not _nothing_is_left(faults, made):
            faults.append(made)
    table["fault"] = faults
    if random.random() < 0.35:
        count = int(random.integers(1, 5))
        at_h = sorted(round(float(random.uniform(0.05, DETERMINATIONS * EVERY_H - 0.2)), 3) for _ in range(count))
        table["operator"] = [{"at_h": at, "command": SAID[int(random.integers(len(SAID)))]} for at in at_h]
    persist = bool(random.random() < 0.5)
    if random.random() < STANDARDISES:
        at_h = round(float(random.uniform(0.3, 2.2)), 3)
        table["operator"] = [*table.get("operator", []), {"at_h": at_h, "command": STANDARDISE}]
    return Drawn(table, persist=persist)


def _fault(kind: str, phase: str, random: np.random.Generator) -> dict[str, Any]:
    after_s = round(float(random.uniform(0.0, 40.0)), 1)
    if phase == "idle":
        made: dict[str, Any] = {"kind": kind, "at_h": round(float(random.uniform(0.4, 2.9)) + after_s / 3600.0, 4)}
    else:
        made = {"kind": kind, "at_phase": phase, "determination": int(random.integers(1, 4)), "after_s": after_s}
    if random.random() < 0.5:
        made["for_h"] = round(exp(float(random.uniform(log(0.01), log(0.5)))), 4)
    if kind in OF_A_PUMP:
        made["pump"] = str(random.choice(PUMPS))
    if kind in SIZES and random.random() < 0.6:
        least, most = sorted(abs(size) for size in SIZES[kind])
        sign = 1.0 if SIZES[kind][1] > 0.0 else -1.0
        made["size"] = sign * float(f"{exp(float(random.uniform(log(least), log(most)))):.3g}")
    if kind == "clock-step" and "size" in made and random.random() < 0.5:
        made["size"] *= -1.0
    if kind == "record-damaged":
        made["table"], made["column"] = DAMAGED[int(random.integers(len(DAMAGED)))]
    return made


def _nothing_is_left(faults: list[dict[str, Any]], made: Mapping[str, Any]) -> bool:
    """Return whether both switches of one pump would have failed: nothing on a computer stops it then."""
    names = {
        one["kind"] if "-runaway" in one["kind"] else f"{one['kind']} {one.get('pump')}" for one in [*faults, made]
    }
    return any({f"{pump}-pump-runaway", f"permit-stuck-on {pump}"} <= names for pump in PUMPS)


def shrunk(case: Drawn, invariant: str) -> Drawn:
    """Return what is left of a scenario when all is taken away without which the invariant is still violated."""
    least = case
    for name in ("operator", "fault"):
        for position in reversed(range(len(least.table.get(name, [])))):
            without = dict(deepcopy(least.table))
            del without[name][position]
            least = _if_still(least, without, invariant)
    for position in range(len(least.faults)):
        for key in ("for_h", "size", "after_s"):
            if key in least.faults[position]:
                without = dict(deepcopy(least.table))
                del without["fault"][position][key]
                least = _if_still(least, without, invariant)
    near = dict(deepcopy(least.table))
    del near["twin"]
    return _if_still(least, near, invariant)


def _if_still(case: Drawn, table: Mapping[str, Any], invariant: str) -> Drawn:
    other = Drawn(table, case.persist, case.determinations)
    return other if invariant in other.play().violated else case
