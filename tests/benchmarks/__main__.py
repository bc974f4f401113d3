"""`make bench`: what the evaluation and the titration reach, as tables. An hour and a half on two cores; nothing here
is a test, nothing is a timed limit.

Fewer runs: SALTERN_BENCH_SEEDS, SALTERN_BENCH_COVERAGE, SALTERN_BENCH_RUNS, SALTERN_BENCH_BENCHES.
"""

from tests.benchmarks import (
    adaptive,
    commissioning,
    diagnostics,
    endpoint_efficiency,
    endpoint_speed,
    organics,
    status_start,
)
from tests.published import foreign_curves

for title, table in (
    ("Curves made by foreign engines: found minus true alkalinity, umol/kg", foreign_curves.main),
    ("Efficiency against the Cramer-Rao bound, and coverage", endpoint_efficiency.main),
    ("Speed of one fit of 40 readings", endpoint_speed.main),
    ("What part of an organic base is reported as alkalinity", organics.main),
    ("The adaptive titration on the twin", adaptive.main),
    ("From the box to commissioned, and sixty days on", commissioning.main),
    ("What is noticed of faults, and false alarms", diagnostics.main),
    ("Processor time of `saltern status` from cold", status_start.main),
):
    print(f"\n{title}\n", flush=True)
    table()
