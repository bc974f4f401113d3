"""Whether the stated uncertainty of a change, of a week's mean and of a trend is true: by benches that drift.

Each bench standardises weekly and measures six times a day for four weeks, after four of settling; its true factor goes
by a ramp that the filter does not know. What two results share is said by the service's own epochs; what is true is
drawn here, as in `titre_ramps`. Beside it stands what one gets by combining two stated uncertainties.

    python -m tests.benchmarks.changes [benches]
"""

import sys
from datetime import UTC, datetime, timedelta
from math import exp, hypot, sqrt

import numpy as np

from saltern.config.tables import Titre
from saltern.model.parts import Parts, u_of_change, u_of_mean
from saltern.procedures.titre import titre_at, values_of
from saltern.tank.trend import trend
from tests.benchmarks.titre_ramps import OWN, REFERENCE, REFERENCE_U, TANK, LevelAndRate, found_by

START = datetime(2026, 3, 2, tzinfo=UTC)
SETTLING, WEEKS, A_DAY = 4, 4, 6
RAMPS = (0.0, 1.0, -1.0)
BENCHES = 400
DKH_A_DAY, UMOL_KG_PER_DKH = {"good": 0.05, "hobby": 0.15}, 348.5
LAGS = {"consecutive": 1, "one day": A_DAY, "seven days": 7 * A_DAY}


def titre_of(follower, day):
    """Return the options that a standardisation writes."""
    inner = {}
    for name, value in values_of(follower.state, START + timedelta(days=day), "bottle").items():
        *path, last = name.removeprefix("titre.").split(".")
        (inner.setdefault(path[0], {}) if path else inner)[last] = value
    return Titre.model_validate(inner)


def play(instruments, percent_per_month, seed):
    """Return error, parts, epoch and day of each result of the weeks that count."""
    random, own = np.random.default_rng([seed, 2]), OWN[instruments]
    start, bottle, follower = exp(random.normal(0.0, 0.02)), random.normal(0.0, REFERENCE_U / REFERENCE), LevelAndRate()

    def true(day):
        return start * exp(percent_per_month / 100.0 * day / 30.0)

    found = []
    for week in range(SETTLING + WEEKS):
        raw = REFERENCE * (1.0 + bottle) / true(7.0 * week) * (1.0 + random.normal(0.0, own, 3))
        follower.standardise(7.0 * week, found_by(list(raw), own, REFERENCE, REFERENCE_U))
        titre = titre_of(follower, 7.0 * week)
        for n in range(7 * A_DAY if week >= SETTLING else 0):
            day = 7.0 * week + (n + 0.5) / A_DAY
            now = titre_at(titre, START + timedelta(days=day), week)
            error = TANK / true(day) * now.factor * (1.0 + random.normal(0.0, own)) - TANK
            epochs = {name: TANK / 100.0 * u for name, u in now.epochs.items()}
            found.append((error, Parts(TANK * own, epochs), week, day))
    return found


def sure_trend(found, umol_kg_per_day):
    """Return whether a week with a new factor in its middle is called a sure trend, of a tank that goes by so much."""
    week = [one for one in found if SETTLING * 7 + 3.5 <= one[3] < SETTLING * 7 + 10.5]
    line = trend(
        [START + timedelta(days=one[3]) for one in week],
        [TANK + one[0] + umol_kg_per_day * one[3] for one in week],
        [one[1] for one in week],
        [one[2] for one in week],
    )
    return abs(line.umol_kg_per_day) > 2.0 * line.u_umol_kg_per_day


def scores(found, instruments):
    """Return by name (how many within two u, how many, error over u squared, by combining two u)."""
    out = {}
    for lag_name, lag in LAGS.items():
        for before, after in zip(found, found[lag:], strict=False):
            name = f"{lag_name}, {'within' if before[2] == after[2] else 'across'}"
            off = (after[0] - before[0]) / u_of_change(before[1], after[1])
            combined = hypot(before[1].u, after[1].u) / u_of_change(before[1], after[1])
            out.setdefault(name, []).append((abs(off) <= 2.0, combined))
    for week in {one[2] for one in found}:
        of_week = [one for one in found if one[2] == week]
        u = u_of_mean([one[1] for one in of_week])
        off = np.mean([one[0] for one in of_week]) / u
        naive = np.mean([one[1].u for one in of_week]) / sqrt(len(of_week)) / u
        out.setdefault("mean of a week", []).append((abs(off) <= 2.0, naive))
    out["no trend called over a recalibration"] = [(not sure_trend(found, 0.0), 1.0)]
    a_day = DKH_A_DAY[instruments]
    out[f"a trend of {a_day} dKH a day called"] = [(sure_trend(found, UMOL_KG_PER_DKH * a_day), 1.0)]
    return out


def main(benches=BENCHES):
    """Print the table."""
    print(f"{benches} benches a row; ± is the 95 % interval by bench. Ratio: two stated u combined, over the u of it\n")
    print(f"{'':7}{'%/month':>8}  {'':38}{'in 2 u':>14}{'ratio':>8}")
    for instruments in OWN:
        for ramp in RAMPS:
            by_name = {}
            for seed in range(benches):
                for name, rows in scores(play(instruments, ramp, seed), instruments).items():
                    by_name.setdefault(name, []).append(np.mean(rows, axis=0))
            for name, rows in by_name.items():
                covered, ratio = np.mean(rows, axis=0)
                half = 1.96 * np.std(rows, axis=0, ddof=1)[0] / sqrt(len(rows))
                print(
                    f"{instruments:7}{ramp:+8.1f}  {name:38}{100 * covered:7.1f} ± {100 * half:3.1f}{ratio:9.2f}",
                    flush=True,
                )


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
