"""`make bench`: what the evaluation and the titration reach, as tables. An hour and a half on two cores; nothing here
is a test, nothing is a timed limit.

    python -m tests.benchmarks [--share 0.1: a tenth of the runs]
"""

import argparse

from tests.benchmarks import (
    adaptive,
    changes,
    commissioning,
    diagnostics,
    endpoint_efficiency,
    endpoint_speed,
    organics,
    ph_departures,
    status_start,
    tank,
    tank_followed,
    titre_ramps,
    twin_speed,
)
from tests.published import foreign_curves

options = argparse.ArgumentParser(prog="python -m tests.benchmarks")
options.add_argument("--share", type=float, default=1.0, help="of the runs; all of them by default")
share = options.parse_args().share


def of(count):
    return max(1, round(share * count))


for title, table in (
    ("Curves made by foreign engines: found minus true alkalinity, umol/kg", foreign_curves.main),
    (
        "Efficiency against the Cramer-Rao bound, and coverage",
        lambda: endpoint_efficiency.main(of(endpoint_efficiency.SEEDS), of(endpoint_efficiency.COVERAGE_SEEDS)),
    ),
    ("Speed of one fit of 40 readings", endpoint_speed.main),
    ("What part of an organic base is reported as alkalinity", organics.main),
    ("The sample's pH against departures", lambda: ph_departures.main(of(ph_departures.WATERS))),
    ("The adaptive titration on the twin", lambda: adaptive.main(of(adaptive.RUNS))),
    (
        "From the box to commissioned, and sixty days on",
        lambda: commissioning.main(of(commissioning.BENCHES), of(commissioning.AGED)),
    ),
    ("A titre factor that drifts", lambda: titre_ramps.main(of(titre_ramps.BENCHES))),
    ("A change, a mean and a trend", lambda: changes.main(of(changes.BENCHES))),
    ("What is noticed of faults, and false alarms", lambda: diagnostics.main(of(diagnostics.BENCHES))),
    ("What is said of tanks whose truth it does not know", lambda: tank.main(of(tank.TANKS))),
    ("A tank whose keeper follows the advice", lambda: tank_followed.main(of(tank_followed.TANKS))),
    ("Processor time of `saltern status` from cold", status_start.main),
    ("Processor time of a simulated day", twin_speed.main),
):
    print(f"\n{title}\n", flush=True)
    table()
