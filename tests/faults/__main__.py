"""`make soak`: the whole fault campaign, as tables. About forty minutes on two cores.

python -m tests.faults [--every 10: every tenth case alone]
"""

import argparse
import sys
from collections import Counter, defaultdict
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from tests.faults.campaign import Case, Outcome, cases_of_one, cases_of_two, play
from tests.faults.judge import INVARIANTS
from tests.faults.layers import without
from tests.faults.mutants import score

LAYERS_ALONE: tuple[tuple[str, ...], ...] = (
    ("guard",),
    ("permits",),
    ("deadlines",),
    ("ledger",),
    ("proof of empty",),
    ("safe-off",),
    ("guard", "permits"),
    ("deadlines", "permits"),
    ("guard", "ledger", "proof of empty"),
)
LAYER_CASES_EVERY = 12


def main(every: int = 1) -> int:
    cases = [*cases_of_one(), *cases_of_two(5), *cases_of_two(6)][::every]
    with ProcessPoolExecutor() as pool:
        played = list(zip(cases, pool.map(play, cases, chunksize=4), strict=True))
        by_kind(played)
        violated = sum(bool(outcome.violated) for _, outcome in played)
        print(f"\n{len(played)} scenarios, {violated} with something violated")
        for case, outcome in played:
            if outcome.violated:
                print(f"  {case}: {outcome.violated}; {outcome.verdicts} {sorted(outcome.alerts)}")
        layers(list(cases_of_one())[::LAYER_CASES_EVERY], pool)
    killed, made, survivors = score()
    print(f"\nMutants of the table's rows killed: {killed} of {made} {survivors or ''}")
    return 1 if violated or killed < made else 0


def by_kind(played: list[tuple[Case, Outcome]]) -> None:
    """Print, for each kind alone, what became of its determinations and what was told."""
    tally: dict[str, Counter[str]] = defaultdict(Counter)
    told: dict[str, Counter[str]] = defaultdict(Counter)
    for case, outcome in played:
        if len(case.faults) == 1:
            (kind,) = case.kinds
            tally[kind].update(["cases", *(f"v:{verdict}" for verdict in outcome.verdicts)])
            tally[kind]["violated"] += bool(outcome.violated)
            told[kind].update(outcome.alerts)
    print(f"{'fault, alone':30} cases accepted suspect void  violated  told most often")
    for kind in sorted(tally):
        t = tally[kind]
        most = ", ".join(code for code, _ in told[kind].most_common(2)) or "nothing"
        counts = f"{t['cases']:5} {t['v:accepted']:8} {t['v:suspect']:7} {t['v:void']:4}  {t['violated']:8}"
        print(f"{kind:30} {counts}  {most}")


def layers(cases: list[Case], pool: ProcessPoolExecutor) -> None:
    """Print what each layer's absence lets through: what the others do not hold."""
    print(f"\nLayers switched off, {len(cases)} scenarios each: invariants violated")
    for names in LAYERS_ALONE:
        seen: Counter[str] = Counter()
        for outcome in pool.map(_play_without, [names] * len(cases), cases, chunksize=4):
            seen.update(list(outcome.violated))
        found = ", ".join(f"{name} {seen[name]}" for name in INVARIANTS if seen[name]) or "none: the others hold"
        print(f"  without {' and '.join(names):40} {found}", flush=True)


def _play_without(names: tuple[str, ...], case: Case) -> Outcome:
    with without(*names):
        return play(case)


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[2]))
    options = argparse.ArgumentParser(prog="python -m tests.faults")
    options.add_argument("--every", type=int, default=1, help="play every n-th case alone")
    sys.exit(main(options.parse_args().every))
