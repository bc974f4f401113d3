"""`python -m tests.faults.benches [how many]`: which benches drawn apart from their file a fault can be judged on.

A bench is tried without one: three determinations, all accepted, each quantity within two of its stated uncertainties.
The others are counted by what keeps them out.
"""

import sys
from collections import Counter

from tests.faults.drawn import Drawn, table_of

TRIED = 3
MOST_U = 2.0


def kept_out_by(seed: int) -> str:
    """Return what keeps a bench out, or nothing."""
    found = Drawn(table_of(seed, determinations=TRIED), determinations=TRIED).play()
    if found.verdicts != ["accepted"] * TRIED:
        return "not all accepted: " + ", ".join(sorted(found.alerts))
    off = [f"{name} off by more than {MOST_U:g} u" for name, worst in sorted(found.worst.items()) if worst > MOST_U]
    return "; ".join([*off, *found.violated])


def main(count: int = 60) -> None:
    kept, out = [], Counter[str]()
    for seed in range(count):
        why = kept_out_by(seed)
        if why:
            out[why] += 1
        else:
            kept.append(seed)
    print(f"{len(kept)} of {count}: {kept}")
    for why, times in out.most_common():
        print(f"{times:4} {why}")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
