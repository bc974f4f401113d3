"""The fault campaign of drawn truth, as tables, with what each layer's absence lets through, and mutants of the table.

python -m tests.faults [--scenarios 3000] [--seed 1] [--from 0] [--workers: one a core] [--quick: 300, and no layers]

Of an accepted lie it is said whether it is known: see `explained`. It is counted among what is violated all the same.
A scenario has some two seconds of processor time. It is named by its seed and number: `tests.faults.drawn.drawn`.
Ended by a signal (INT, TERM), it prints the tables of what it has played.
"""

import argparse
import json
import signal
import sys
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from functools import partial

from tests.faults.campaign import Case, cases_of_one, play
from tests.faults.drawn import Drawn, drawn
from tests.faults.explained import known
from tests.faults.judge import INVARIANTS, Outcome
from tests.faults.layers import without
from tests.faults.mutants import score

WHOLE, QUICK = 3000, 300
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


def main(scenarios: int, seed: int, begin: int, workers: int | None, *, quick: bool) -> int:
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    signal.signal(signal.SIGINT, signal.default_int_handler)
    numbers = range(begin, begin + scenarios)
    with ProcessPoolExecutor(workers) as pool:
        played = list(_as_they_come(seed, pool.map(partial(_numbered, seed), numbers)))
        by_kind(played)
        by_invariant(played)
        violated = sum(bool(outcome.violated) for _, outcome, _ in played)
        reasons = Counter(why or "new" for _, outcome, why in played if outcome.violated)
        print(f"\n{len(played)} scenarios of seed {seed}, {violated} with something violated", flush=True)
        for why, times in reasons.most_common():
            print(f"{times:6} {why}")
        if quick:
            return 1 if violated else 0
        layers(list(cases_of_one())[::LAYER_CASES_EVERY], pool)
    killed, made, survivors = score()
    print(f"\nMutants of the table's rows killed: {killed} of {made} {survivors or ''}")
    return 1 if violated or killed < made else 0


Played = tuple[Drawn, Outcome, str]
"""A case, what became of it, and what is known of what it violates."""


def _numbered(seed: int, number: int) -> tuple[int, Played]:
    case = drawn(seed, number)
    outcome = case.play()
    return number, (case, outcome, known(case, outcome))


def _as_they_come(seed: int, outcomes: Iterable[tuple[int, Played]]) -> Iterator[Played]:
    """Print what is violated at once: a campaign is long."""
    try:
        for number, (case, outcome, why) in outcomes:
            if outcome.violated:
                print(f"seed {seed}, number {number}: {outcome.violated}; {outcome.verdicts} {sorted(outcome.alerts)}")
                print(f"    known: {why or 'nothing'}")
                print(f"    {json.dumps(case.table)}, outputs persist: {case.persist}", flush=True)
            yield case, outcome, why
    except KeyboardInterrupt:
        print("interrupted")


def by_kind(played: list[Played]) -> None:
    """Print, for each kind, alone or with others, what became of its determinations and what was told."""
    tally: dict[str, Counter[str]] = defaultdict(Counter)
    told: dict[str, Counter[str]] = defaultdict(Counter)
    for case, outcome, _ in played:
        for kind in case.kinds:
            tally[kind].update(["cases", *(f"v:{verdict}" for verdict in outcome.verdicts)])
            tally[kind]["violated"] += bool(outcome.violated)
            if len(case.kinds) == 1:
                tally[kind]["alone"] += 1
                tally[kind]["violated alone"] += bool(outcome.violated)
                told[kind].update(outcome.alerts)
    names = ("accepted", "provisional", "suspect", "void")
    heads = " ".join(f"{name:>11}" for name in names)
    print(f"\n{'fault':30} cases {heads}  violated  alone  violated  told most often, alone")
    for kind in sorted(tally):
        t = tally[kind]
        most = ", ".join(code for code, _ in told[kind].most_common(2)) or "nothing"
        verdicts = " ".join(f"{t[f'v:{name}']:11}" for name in names)
        alone = f"{t['alone']:5}  {t['violated alone']:8}"
        print(f"{kind:30} {t['cases']:5} {verdicts}  {t['violated']:8}  {alone}  {most}")


def by_invariant(played: list[Played]) -> None:
    """Print how often each invariant was violated."""
    times = Counter(name for _, outcome, _ in played for name in outcome.violated)
    print()
    for name in INVARIANTS:
        print(f"{name:50} {times[name]:4}")


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
    options = argparse.ArgumentParser(prog="python -m tests.faults")
    options.add_argument("--quick", action="store_true", help="the campaign alone, of 300")
    options.add_argument("--scenarios", type=int, help="how many are played")
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--from", type=int, default=0, dest="begin", metavar="NUMBER", help="the first one's number")
    options.add_argument("--workers", type=int, help="processes; one a core otherwise")
    given = options.parse_args()
    count = given.scenarios or (QUICK if given.quick else WHOLE)
    sys.exit(main(count, given.seed, given.begin, given.workers, quick=given.quick))
