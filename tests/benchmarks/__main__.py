"""`make bench`: what a bench reaches and what it costs, as tables. An hour and a half on two cores.

Nothing here is a test and nothing has a limit.

    python -m tests.benchmarks [--quick] [--share 0.1: a tenth of the runs] [--json FILE]

`--quick` plays a small share of what is drawn, and leaves out what takes minutes for one bench alone.
"""

import argparse
import io
import json
import sys
import time
from collections.abc import Callable
from contextlib import redirect_stdout
from pathlib import Path
from typing import Any, NamedTuple

from tests.benchmarks import (
    adaptive,
    changes,
    commissioning,
    confirmation,
    diagnostics,
    endpoint_efficiency,
    endpoint_speed,
    organics,
    ph_departures,
    running_costs,
    tank,
    tank_at_benches,
    tank_followed,
    titre_ramps,
    twin_speed,
)
from tests.published import foreign_curves

QUICK_SHARE = 0.02


class Table(NamedTuple):
    """One table: its title, what prints it for a share of its runs, and whether one run alone is long."""

    title: str
    print_it: Callable[[Callable[[int], int]], list[dict[str, Any]] | None]
    is_long: bool = False


TABLES = (
    Table("Curves made by foreign engines: found minus true alkalinity, umol/kg", lambda of: foreign_curves.main()),
    Table(
        "Efficiency against the Cramer-Rao bound, and coverage",
        lambda of: endpoint_efficiency.main(of(endpoint_efficiency.SEEDS), of(endpoint_efficiency.COVERAGE_SEEDS)),
    ),
    Table("Speed of one fit of 40 and of 80 readings", lambda of: endpoint_speed.main()),
    Table("What part of an organic base is reported as alkalinity", lambda of: organics.main()),
    Table("The sample's pH against departures", lambda of: ph_departures.main(of(ph_departures.WATERS))),
    Table("The adaptive titration on the twin", lambda of: adaptive.main(of(adaptive.RUNS))),
    Table(
        "From the box to commissioned, and sixty days on",
        lambda of: commissioning.main(of(commissioning.BENCHES), of(commissioning.AGED)),
        is_long=True,
    ),
    Table("A titre factor that drifts", lambda of: titre_ramps.main(of(titre_ramps.BENCHES))),
    Table("A change, a mean and a trend", lambda of: changes.main(of(changes.BENCHES))),
    Table(
        "What is noticed of faults, and false alarms",
        lambda of: diagnostics.main(of(diagnostics.BENCHES)),
        is_long=True,
    ),
    Table("What is said of tanks whose truth it does not know", lambda of: tank.main(of(tank.TANKS)), is_long=True),
    Table(
        "What is said of tanks that the twin's benches measure",
        lambda of: tank_at_benches.main(of(tank_at_benches.BENCHES)),
        is_long=True,
    ),
    Table(
        "A tank whose keeper follows the advice", lambda of: tank_followed.main(of(tank_followed.TANKS)), is_long=True
    ),
    Table(
        "Results that are off alone, and what confirmation lets pass",
        lambda of: confirmation.main(of(confirmation.BENCHES)),
        is_long=True,
    ),
    Table("What a running bench costs", lambda of: running_costs.main()),
    Table("Processor time of a simulated day", lambda of: twin_speed.main(min(twin_speed.TIMES, of(100)))),
)


class Both(io.TextIOBase):
    """Shows what is printed, and keeps it."""

    def __init__(self) -> None:
        self.kept = io.StringIO()

    def write(self, text: str) -> int:
        sys.__stdout__.write(text)
        return self.kept.write(text)

    def flush(self) -> None:
        sys.__stdout__.flush()


def main() -> None:
    options = argparse.ArgumentParser(prog="python -m tests.benchmarks")
    options.add_argument("--quick", action="store_true", help="a small share of what is short: some minutes")
    options.add_argument("--share", type=float, help="of the runs; all of them by default")
    options.add_argument("--json", type=Path, metavar="FILE", help="write the tables to this file as well")
    given = options.parse_args()
    share = given.share or (QUICK_SHARE if given.quick else 1.0)
    found = []
    for table in TABLES:
        if given.quick and table.is_long:
            continue
        both, begun_s = Both(), time.monotonic()
        with redirect_stdout(both):
            print(f"\n{table.title}\n", flush=True)
            figures = table.print_it(lambda runs: max(1, round(share * runs)))
        lines = both.kept.getvalue().strip().splitlines()[2:]
        took_s = round(time.monotonic() - begun_s, 1)
        found.append({"title": table.title, "took_s": took_s, "lines": lines, "figures": figures or []})
    if given.json is not None:
        given.json.write_text(json.dumps({"share": share, "tables": found}, indent=1) + "\n")


if __name__ == "__main__":
    main()
