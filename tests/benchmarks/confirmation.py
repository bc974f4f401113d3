"""Whether results that are off alone are asked again: outliers among the results of benches that are sound otherwise.

Some results of a bench are off by a size, up or down, with nothing in their curve to show it. The service judges them
as it does any; what is counted are outliers among its accepted results, and the determinations that it adds.

    python -m tests.benchmarks.confirmation [benches]
"""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

from saltern.cli.logs import quiet_logs
from saltern.cli.simulated_instrument import ByResults
from saltern.cli.simulation import WARM_UP_S, Stage, bench_of
from saltern.model.determination import Source
from saltern.model.verdict import Verdict
from saltern.records.store import IN_MEMORY
from saltern_drivers.twin.scenario import Scenario
from tests.benchmarks.tank import OWN as OWN_UMOL_KG

BENCHES, FIRST_SEED, STREAM = 12, 30_000, 5
DAYS, A_DAY, COUNTED_FROM_D = 60.0, 6, 3.0
SHARE = 0.03
TANK_UMOL_KG, UMOL_KG_PER_DKH = 2450.0, 348.0
SIZES = {
    "none": lambda _: 0.0,
    "0.3 dKH": lambda _: 0.3 * UMOL_KG_PER_DKH / TANK_UMOL_KG,
    "five own u": lambda instruments: 5.0 * OWN_UMOL_KG[instruments] / TANK_UMOL_KG,
}


class Spoilt:
    """An instrument some of whose results of the tank are off alone; it remembers which."""

    def __init__(self, play, size, seed):
        self._by_results, self._size = ByResults(play), size
        self._instrument, self._by_results._instrument = self._by_results._instrument, self
        self._random, self._of_the_tank = np.random.default_rng([seed, STREAM]), False
        self.off_s = set()

    def carry_out(self, bench, source, *how):
        self._of_the_tank = source is Source.TANK
        return self._by_results.determine(bench, source, *how)

    def determine(self, *stated):
        found = self._instrument.determine(*stated)
        is_off, sign = self._random.random() < SHARE, self._random.choice((-1.0, 1.0))
        if found.why or not (self._size and is_off and self._of_the_tank):
            return found
        self.off_s.add(found.finished_s)
        return replace(found, alkalinity_umol=found.alkalinity_umol * (1.0 + sign * self._size))


def played(instruments, size, seed):
    """Return counts of one bench: tank determinations, outliers, accepted results, accepted outliers."""
    scenario = Scenario.model_validate(
        {
            "seed": seed,
            "days": DAYS,
            "keeper": {"reference_every_d": 7.0},
            "twin": {"detail": "result", "instruments": instruments},
        }
    )
    stage = Stage(scenario, bench_of(scenario, Path()), IN_MEMORY)
    spoilt = Spoilt(stage.play, size, seed)
    stage.computer.service.measuring.carry_out = spoilt.carry_out
    stage.play_until(DAYS * 86400.0 + WARM_UP_S)
    stage.log.collect()
    tank = [d for d in stage.log.outcomes if d.source is Source.TANK and d.started_s > COUNTED_FROM_D * 86400.0]
    stage.close()
    accepted = [d for d in tank if d.alkalinity.verdict is Verdict.ACCEPTED]
    off = [d for d in tank if d.finished_s in spoilt.off_s]
    return len(tank), len(off), len(accepted), sum(d.finished_s in spoilt.off_s for d in accepted)


def main(benches=BENCHES):
    """Print the table."""
    quiet_logs()
    slots = benches * (DAYS - COUNTED_FROM_D) * A_DAY
    print(f"{SHARE:.0%} of results off alone, {benches} benches of {DAYS:g} days a row")
    print(f"   {'':22}{'determinations':>16}{'more than slots':>17}{'off':>6}{'accepted':>10}{'off among them':>16}")
    for instruments in OWN_UMOL_KG:
        for name, size_of in SIZES.items():
            rows = [played(instruments, size_of(instruments), FIRST_SEED + n) for n in range(benches)]
            tank, off, accepted, wrong = np.sum(rows, axis=0)
            print(
                f"   {instruments + ', ' + name:22}{tank:16}{100 * (tank / slots - 1):16.1f}%{off:6}{accepted:10}"
                f"{wrong:8} = {100 * wrong / accepted:.2f} %",
                flush=True,
            )


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
