"""How fast a bench is simulated: service, drivers and twin, by processor time, beside a plain loop in the same run.

The loop says how fast this computer runs Python just now; days and loops take turns. What does not depend on the
computer is their ratio: how many million turns of the loop one simulated day costs.
"""

import statistics
import time
from pathlib import Path

from saltern.cli.logs import quiet_logs
from saltern.cli.simulation import run
from saltern_drivers.twin.scenario import Scenario

DAY_S = 86400.0
TURNS = 1_000_000
TIMES = 3

FAULTS = [
    {"kind": "sample-pump-stalled", "at_phase": "fill", "determination": 2, "after_s": 2.0, "for_h": 1.0},
    {"kind": "ph-noisy", "at_phase": "titrate", "determination": 3, "for_h": 1.0},
    {"kind": "serial-renumbered", "at_phase": "titrate", "determination": 4, "for_h": 0.1},
    {"kind": "power-cut", "at_phase": "empty", "determination": 5, "after_s": 3.0},
]

DAYS = {
    "good bench, quiet": {},
    "hobby bench, quiet": {"twin": {"instruments": "hobby"}},
    "good bench, four faults": {"fault": FAULTS},
    "hobby bench, four faults": {"twin": {"instruments": "hobby"}, "fault": FAULTS},
    "good bench, nothing but rest": {"schedule": {"every_h": 168}},
}
"""A day each, at six determinations where nothing else is said."""


def turns() -> float:
    """Return where a plain loop of `TURNS` turns has come to: it is here to take its time."""
    x = 1.0
    for _ in range(TURNS):
        x = x * 0.999 + 0.5 if x < 400.0 else x - 1.0
    return x


def processor_s(action) -> float:
    begun = time.process_time()
    action()
    return time.process_time() - begun


def main(times: int = TIMES) -> None:
    quiet_logs()
    print(f"{'a simulated day':30} {'processor s':>11} {'simulated s a s':>15} {'million turns of a plain loop':>30}")
    for name, changes in DAYS.items():
        scenario = Scenario.model_validate({"seed": 3, "days": 1.0, **changes})
        days, loops = [], []
        for _ in range(times):
            loops.append(processor_s(turns))
            days.append(processor_s(lambda scenario=scenario: run(scenario, Path())))
        day_s, loop_s = statistics.median(days), statistics.median(loops)
        print(f"{name:30} {day_s:11.2f} {DAY_S / day_s:15,.0f} {day_s / loop_s:30.1f}", flush=True)


if __name__ == "__main__":
    main()
