"""What a determination notices of what goes wrong with it, and how often it cries wolf: on the twin, production code.

Each bench first makes a history of fault-free determinations, then every fault several times, each time on a sound
bench again, with fault-free determinations between. A fault is *seen* where the alkalinity is not accepted: suspect or
void. An error of an accepted value is what a keeper would have believed.
"""

import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from functools import partial

import numpy as np

from saltern.bench import bookkeeping
from saltern.chemistry.endpoint.curve import Estimate
from saltern.model.determination import Source
from saltern.model.verdict import Verdict
from saltern.procedures.determination import Expectation, determine
from saltern.quality.history import history_of, usual_loss
from tests.twin_bench import TwinBench

BENCHES = 20
PAST, ROUNDS, SOUND_BETWEEN = 10, 2, 3
FILES = {"good": "bench-simulated.toml", "hobby": "bench-simulated-hobby.toml"}


def _add_air(world, ml):
    world.titrant_line_air_ml += ml


def _set(name, value, world):
    setattr(world, name, value)


def _electrode(name, value, world):
    setattr(world.electrode, name, value)


def _slower(world, times):
    world.electrode.lag_s *= times


def _stop_stirrer(world):
    world.stirrer_stopped, world.stirrer = True, 0.0


def _sample(world, part):
    world.pumps["sample"].gain_shift = part


DURING = {
    "bubble 20 uL in a dose": partial(_add_air, ml=0.02),
    "bubble 50 uL in a dose": partial(_add_air, ml=0.05),
    "bubble 100 uL in a dose": partial(_add_air, ml=0.1),
    "electrode stuck": partial(_electrode, "frozen", True),
    "electrode noisy, 1 mV": partial(_electrode, "extra_noise_mv", 1.0),
    "electrode noisy, 3 mV": partial(_electrode, "extra_noise_mv", 3.0),
    "electrode drifts 2 mV/min": partial(_electrode, "fault_drift_mv_per_s", 2.0 / 60.0),
    "titrant exhausted": partial(_set, "bottle_ml", 0.0),
    "stirrer stops": _stop_stirrer,
}
FROM_THE_START = {
    "bubble 20 uL in the first dose": partial(_add_air, ml=0.32),
    "bubble 100 uL in the first dose": partial(_add_air, ml=0.40),
    "electrode 3 times slower": partial(_slower, times=3.0),
    **{f"sample volume {part:+.0%}": partial(_sample, part=part) for part in (-0.1, -0.05, -0.02, 0.02, 0.05, 0.1)},
}


class Bench:
    """One twin with its past."""

    def __init__(self, klass, seed):
        self.random = np.random.default_rng(seed)
        self.twin = TwinBench(
            true={"limits.titrant_per_day_ml": 100_000.0},
            bench=FILES[klass],
            seed=seed,
            tank={"consumption_dkh_per_day": 0.3, "dosed_dkh_per_day": 0.3},
            twin={"instruments": klass},
        )
        self.lag_s = self.twin.world.electrode.lag_s
        self.past, self.rows = [], []

    def determine(self, name, before=None, during=None):
        """Determine once, with a fault from the start or at a random dose; write down what came of it; mend it."""
        world, last = self.twin.world, self.past[-1].alkalinity.value if self.past else None
        points, dose = [0], int(self.random.integers(2, 7))

        def watch(step):
            if step.phase == "titrate" and step.emf_mv is not None:
                points[0] += 1
                if during is not None and points[0] == dose:
                    during(world)

        if before is not None:
            before(world)
        expected = None if last is None else Estimate(last, 0.25 * last)
        expectation = Expectation(expected, usual_loss(self.past), history_of(self.past))
        d = determine(self.twin.bench, Source.TANK, expectation, watch)
        value = d.alkalinity.value
        error = None if value is None else value - self.twin.play.tank_alkalinity(d.ph_read_s)
        self.rows.append((name, d.alkalinity, error))
        self._mend()
        return d

    def _mend(self):
        world, bench = self.twin.world, self.twin.bench
        world.pumps["sample"].gain_shift = world.titrant_line_air_ml = 0.0
        world.stirrer_stopped = world.electrode.frozen = False
        world.electrode.lag_s = self.lag_s
        world.electrode.extra_noise_mv = world.electrode.fault_drift_mv_per_s = world.electrode.fault_drift_mv = 0.0
        self.twin.play.refill_titrant()
        world.waste_ml = 0.0
        self.twin.clock.sleep(600.0)
        for row in list(bench.guard.acting):
            if row.kind == "trip":
                bench.guard.reset("keeper")
        bottle_ml = bench.config.titrant.bottle_ml
        bench.note(bookkeeping.container_emptied(bookkeeping.bottle_replaced(bench.ledger, bottle_ml)), "kept")

    def sound(self):
        """Determine once without a fault; what is believed joins the past."""
        d = self.determine("none")
        if d.alkalinity.verdict is Verdict.ACCEPTED:
            self.past = [*self.past, d][-PAST:]


def run(job):
    """Return what one bench's determinations came to after it had a past."""
    bench = Bench(*job)
    for _ in range(PAST):
        bench.sound()
    bench.rows.clear()
    for _ in range(ROUNDS):
        for kind, faults in (("during", DURING), ("before", FROM_THE_START)):
            for name, fault in faults.items():
                bench.determine(name, **{kind: fault})
                for _ in range(SOUND_BETWEEN):
                    bench.sound()
    return [
        (name, quantity.verdict, [r.value for r in quantity.reasons], error) for name, quantity, error in bench.rows
    ]


def main(benches=BENCHES):
    """Print the table."""
    with ProcessPoolExecutor() as pool:
        for klass in FILES:
            jobs = [(klass, 500 + i) for i in range(benches)]
            rows = [row for rows in pool.map(run, jobs) for row in rows]
            print(f"\n{klass}: {benches} benches, {len(rows)} determinations")
            print(f"{'fault':34s} {'n':>5s} {'not accepted':>12s}  accepted: rms error, umol/kg   by reason, % of all")
            for name in ("none", *DURING, *FROM_THE_START):
                _print_fault(name, [row for row in rows if row[0] == name])


def _print_fault(name, rows):
    seen = [row for row in rows if row[1] is not Verdict.ACCEPTED]
    errors = [row[3] for row in rows if row[1] is Verdict.ACCEPTED]
    reasons = Counter(reason for row in seen for reason in row[2])
    wrong = "-" if not errors else f"{float(np.sqrt(np.mean(np.square(errors)))):.1f}"
    shown = ", ".join(f"{reason} {100 * n / len(rows):.1f}" for reason, n in reasons.most_common(5))
    print(f"{name:34s} {len(rows):5d} {100 * len(seen) / len(rows):10.1f} %  {wrong:>28s}   {shown}")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
