"""`make bench`: what the evaluation reaches, as tables. Minutes; nothing here is a test, nothing is a timed limit."""

from tests.benchmarks import endpoint_efficiency, endpoint_speed
from tests.published import foreign_curves

for title, table in (
    ("Curves made by foreign engines: found minus true alkalinity, umol/kg", foreign_curves.main),
    ("Efficiency against the Cramer-Rao bound", endpoint_efficiency.main),
    ("Speed of one fit of 40 readings", endpoint_speed.main),
):
    print(f"\n{title}\n")
    table()
