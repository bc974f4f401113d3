"""Whether the titre factor is followed: benches whose factor drifts in ways that the filter does not assume.

A bench standardises in triplicate once a week for a year and measures its tank six times a week. Its true factor goes
by a straight ramp, a season, a step, a random walk, or jumps with each tube every thirteen weeks. Errors of replicates,
of the bottle of reference (a new one every twelve weeks) and of results are drawn here, in the sizes that a single
determination of each class has (own sd 14.3 and 3.2 umol/kg at 2450). What is scored is what a keeper reads: the result
with its stated uncertainty, at any time of the week; and the factor, after each standardisation.

Beside it stands a filter of the level alone, whose age begins anew with each standardisation.

    python -m tests.benchmarks.titre_ramps [benches]
"""

import sys
from math import exp, hypot, log, pi, sqrt

import numpy as np

from saltern.quality.titre_filter import aged, found_by, updated

TANK, REFERENCE, REFERENCE_U = 2450.0, 2200.0, 1.5
OWN = {"hobby": 14.3 / TANK, "good": 3.2 / TANK}
WEEKS, A_WEEK, SETTLED_WEEK, BOTTLE_WEEKS, TUBE_WEEKS = 52, 6, 12, 12, 13
ALLOWANCE_PERCENT_PER_MONTH = 0.2
BENCHES = 400

ROWS = (
    ("ramp", 0.0), ("ramp", 0.2), ("ramp", -0.2), ("ramp", 1.0), ("ramp", -1.0), ("ramp", 2.0), ("ramp", -2.0),
    ("season", 1.0), ("step", 1.0), ("walk", 0.2), ("tubes, logged", 2.0), ("tubes, not logged", 2.0),
)  # fmt: skip


def truth(kind, percent, random):
    """Return the logarithm of the factor by time in days; sizes in percent, of a ramp by month of 30 days."""
    size = percent / 100.0
    if kind == "ramp":
        return lambda t: size * t / 30.0
    if kind == "season":
        phase = random.uniform(0.0, 2.0 * pi)
        return lambda t: size * np.sin(2.0 * pi * t / 365.25 + phase)
    if kind == "step":
        at = random.uniform(84.0, 300.0)
        return lambda t: size * (t > at)
    if kind == "walk":
        walked = np.cumsum(random.normal(0.0, size / sqrt(30.0), 7 * WEEKS + 8))
        return lambda t: float(np.interp(t, np.arange(len(walked)), walked))
    tubes = WEEKS // TUBE_WEEKS + 1
    levels, rates = random.normal(0.0, size, tubes), random.normal(0.0, 0.01 / 30.0, tubes)

    def of_the_tube(t):
        n = min(int(t // (7 * TUBE_WEEKS)), tubes - 1)
        return levels[n] + rates[n] * (t - 7 * TUBE_WEEKS * n)

    return of_the_tube


class LevelAndRate:
    """The filter as the service uses it."""

    def __init__(self):
        self.state, self.at, self.noticed = None, 0.0, 0

    def forget(self):
        self.state = None

    def standardise(self, day, found):
        before = None if self.state is None else self._now(day)
        outcome = updated(before, found)
        self.state, self.at = outcome.state, day
        self.noticed += outcome.jumped or outcome.ran

    def _now(self, day):
        return aged(self.state, day - self.at, ALLOWANCE_PERCENT_PER_MONTH)

    def known(self, day):
        now = self._now(day)
        return now.factor, hypot(now.u, now.u_reference)


class LevelAlone(LevelAndRate):
    """A random walk of the level, by the allowance either way, rectangular."""

    def _now(self, day):
        drift = ALLOWANCE_PERCENT_PER_MONTH / 100.0 * (day - self.at) / 30.0 / sqrt(3.0)
        return self.state[0], hypot(self.state[1], drift), self.state[2]

    def standardise(self, day, found):
        if self.state is None:
            self.state, self.at = (found.factor, found.u, found.u_reference), day
            return
        factor, u, u_reference = self._now(day)
        apart = (found.factor / factor - 1.0) / hypot(u, found.u)
        weight = 1.0 if abs(apart) > 4.0 else u**2 / (u**2 + found.u**2)
        self.noticed += abs(apart) > 4.0
        u = found.u if weight == 1.0 else sqrt(1.0 - weight) * u
        self.state, self.at = (factor + weight * (found.factor - factor), u, u_reference), day

    def known(self, day):
        factor, u, u_reference = self._now(day)
        return factor, hypot(u, u_reference)


def play(follower, instruments, kind, percent, seed, weeks=WEEKS):
    """Play one bench; return its results (week, error, stated u) and factors (week, error in stated u)."""
    random = np.random.default_rng([seed, 1])
    course, start, own = truth(kind, percent, random), exp(random.normal(0.0, 0.02)), OWN[instruments]
    results, factors, bottle = [], [], 0.0
    for week in range(weeks):
        day = 7.0 * week
        if week % BOTTLE_WEEKS == 0:
            bottle = random.normal(0.0, REFERENCE_U / REFERENCE)
        if kind == "tubes, logged" and week and week % TUBE_WEEKS == 0:
            follower.forget()
        true = start * exp(course(day))
        raw = REFERENCE * (1.0 + bottle) / true * (1.0 + random.normal(0.0, own, 3))
        follower.standardise(day, found_by(list(raw), own, REFERENCE, REFERENCE_U))
        factor, u = follower.known(day)
        factors.append((week, log(factor / true) / u))
        for at in day + np.sort(random.uniform(0.0, 7.0, A_WEEK)):
            factor, u = follower.known(at)
            measured = TANK / (start * exp(course(at))) * factor * (1.0 + random.normal(0.0, own))
            results.append((week, measured - TANK, TANK * hypot(own, u)))
    return np.array(results), np.array(factors)


def score(follower, instruments, kind, percent, benches, weeks=WEEKS):
    """Return by name the mean over benches and the half width of its 95 % interval, clustered by bench."""
    rows = []
    for seed in range(benches):
        followed = follower()
        results, factors = play(followed, instruments, kind, percent, seed, weeks)
        late, factors = results[results[:, 0] >= SETTLED_WEEK], factors[factors[:, 0] >= SETTLED_WEEK]
        early = results[results[:, 0] < SETTLED_WEEK]
        rows.append(
            {
                "bias": late[:, 1].mean(),
                "results": 100.0 * (abs(late[:, 1]) <= 2.0 * late[:, 2]).mean(),
                "factors": 100.0 * (abs(factors[:, 1]) <= 2.0).mean(),
                "early": 100.0 * (abs(early[:, 1]) <= 2.0 * early[:, 2]).mean(),
                "u": late[:, 2].mean(),
                "rms": (late[:, 1] ** 2).mean(),
                "noticed": float(followed.noticed),
            }
        )
    found = {}
    for name in rows[0]:
        values = np.array([row[name] for row in rows])
        found[name] = values.mean(), 1.96 * values.std(ddof=1) / sqrt(len(values))
    found["rms"] = sqrt(found["rms"][0]), 0.0
    return found


def main(benches=BENCHES):
    """Print the table."""
    print(f"{benches} benches a row, weeks {SETTLED_WEEK} to {WEEKS}; ± is the 95 % interval by bench\n")
    print(
        f"{'':46}{'bias, umol/kg':>14}{'results in 2 u':>17}{'factors in 2 u':>17}{'weeks 0 to 12':>17}"
        f"{'stated u':>10}{'rms':>7}{'noticed':>9}"
    )
    for follower, label in ((LevelAlone, "level alone"), (LevelAndRate, "level and rate")):
        for instruments in OWN:
            for kind, percent in ROWS:
                found = score(follower, instruments, kind, percent, benches)
                print(
                    f"{label:16}{instruments:7}{kind:18}{percent:+5.1f}"
                    + "".join(
                        f"{found[name][0]:{width}.1f} ± {found[name][1]:3.1f}"
                        for name, width in (("bias", 8), ("results", 11), ("factors", 11), ("early", 11))
                    )
                    + f"{found['u'][0]:10.1f}{found['rms'][0]:7.1f}{found['noticed'][0]:9.2f}",
                    flush=True,
                )


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
