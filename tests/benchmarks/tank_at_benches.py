"""Whether what is said of a tank holds where a bench of the twin measures it, by results: friendly and unfriendly.

The other judge of a tank's values, `tests.benchmarks.tank`, draws results itself, with a bench that is as the product
supposes. Here the twin's benches measure: their ramps, rooms, electrodes and standardisations are the twin's, and the
records are read as `saltern tank` reads them. Tanks are the twin's too. A triplicate of a reference each week.

    python -m tests.benchmarks.tank_at_benches [values | findings] [benches a row [first seed]]

`findings` counts what is found where nothing happens: four weeks of a tank that wanders and is dosed by what it takes.
"""

import sys
import tempfile
from collections import Counter
from pathlib import Path

import numpy as np

from saltern.cli.logs import quiet_logs
from saltern.cli.simulation import Stage, bench_of, run
from saltern.records.store import IN_MEMORY
from saltern.records.tank_history import known
from saltern.tank.advice import TRUSTED_FOR_D
from saltern.tank.consumption import consumption
from saltern_drivers.twin.scenario import Scenario

BENCHES, FIRST_SEED = 100, 40_000
FINDINGS_DAYS, FOUND_FROM_D = 28, 8
DAYS = (4, 7, 10, 14)
DAY_S, AFTER_S = 86400.0, 60.0
VOLUME_U_PERCENT = 1.5
VALUES = {
    "net": ("net_dkh_per_day", 7.0),
    "consumption": ("consumption_dkh_per_day", 7.0),
    "level": ("alkalinity_dkh", 1.0),
}


def scenario_of(instruments, world, seed):
    random = np.random.default_rng([seed, 17])
    consumed = random.uniform(0.5, 1.5)
    tank = {
        "volume_l": 400.0,
        "consumption_dkh_per_day": consumed,
        "dosed_dkh_per_day": consumed * random.uniform(0.9, 1.1),
        "wander_dkh_per_day": random.uniform(0.03, 0.10),
    }
    return Scenario.model_validate(
        {
            "seed": seed,
            "days": max(DAYS) + 0.1,
            "schedule": {"every_h": 4.0},
            "keeper": {"reference_every_d": 7.0},
            "tank": tank,
            "twin": {"detail": "result", "instruments": instruments, "world": world},
        }
    )


def play(instruments, world, seed):
    """Return (value, day, error, u, truth) of one bench and tank: what stood at the end of a day, k = 1."""
    scenario = scenario_of(instruments, world, seed)
    config = bench_of(scenario, Path())
    # a keeper who says as well as the twin draws it how well the volume is known; the bench file's default is wider
    tank = config.tank.model_copy(update={"volume_u_percent": VOLUME_U_PERCENT})
    # the service looks at no tank by itself: that is what costs, and what is said of it is asked for below
    stage = Stage(scenario, config.model_copy(update={"tank": None}), IN_MEMORY)
    rows = []
    for day in DAYS:
        stage.play_until(day * DAY_S + AFTER_S)
        found = known(stage.computer.service.store, config, tank, stage.clock.now())
        if found is None or day - found.history.seen[-1].at_d > TRUSTED_FOR_D:
            continue  # nothing is said of such a day
        said = consumption(found.history, found.priors, float(day), (1.0, 7.0))
        if said is None:
            continue
        truth = stage.play.of_day(day)
        for name, (field, window_d) in VALUES.items():
            estimate = getattr(said.windows[window_d], field)
            rows.append((name, day, estimate.value - truth[field], estimate.u, truth[field]))
    stage.close()
    return rows


def findings_of(instruments, world, seed):
    """Return what the service finds at one bench and tank where nothing happens."""
    drawn = scenario_of(instruments, world, seed).model_dump(exclude_unset=True)
    tank = drawn["tank"] | {"dosed_dkh_per_day": drawn["tank"]["consumption_dkh_per_day"]}
    scenario = Scenario.model_validate(drawn | {"days": FINDINGS_DAYS, "tank": tank})
    with tempfile.TemporaryDirectory() as folder:
        return run(scenario, Path(folder))["tank"]["findings"]


def print_findings(benches=BENCHES, first=FIRST_SEED):
    quiet_logs()
    years = benches * (FINDINGS_DAYS - FOUND_FROM_D) / 365.0
    for world in ("near", "unfriendly"):
        for instruments in ("good", "hobby"):
            found = [one for seed in range(first, first + benches) for one in findings_of(instruments, world, seed)]
            new = [one for one in found if one["supersedes"] is None]
            named = Counter(one["cause"] for one in found if one["is"] != "cannot-tell")
            print(
                f"{instruments}, {world}: {len(new)} found in {years:.1f} tank-years; named sometime: {dict(named)}",
                flush=True,
            )


def main(benches=BENCHES, first=FIRST_SEED):
    """Print the table of values."""
    quiet_logs()
    print(f"tanks that the twin's benches measure, by results, {benches} a row; 'near': net 0.01 or 0.02 dKH/day,")
    print("consumption 5 % or 0.04 dKH/day; in 2 u: by tank and day, with the standard error by tanks")
    print(f"{'':32}{'rms':>8}{'rms u':>8}{'near':>7}{'in 2 u':>14}")
    for world in ("near", "unfriendly"):
        for instruments in ("good", "hobby"):
            played = [play(instruments, world, seed) for seed in range(first, first + benches)]
            print(f"{instruments}, {world}: {sum(bool(rows) for rows in played)} of {benches} benches have results")
            for name in VALUES:
                mine = [np.array([row[2:] for row in rows if row[0] == name]) for rows in played]
                mine = [rows for rows in mine if len(rows)]
                off, u, truth = np.vstack(mine).T
                net = 0.01 if instruments == "good" else 0.02
                most = {"net": net, "consumption": np.maximum(0.05 * truth, 0.04), "level": 0.1}[name]
                inside = [np.mean(np.abs(rows[:, 0]) <= 2.0 * rows[:, 1]) for rows in mine]
                print(
                    f"   {name:29}{np.sqrt(np.mean(off**2)):8.4f}{np.sqrt(np.mean(u**2)):8.4f}"
                    f"{100 * np.mean(np.abs(off) <= most):7.1f}{100 * np.mean(inside):8.1f} ± "
                    f"{100 * np.std(inside) / np.sqrt(len(inside)):.1f}",
                    flush=True,
                )


if __name__ == "__main__":
    TABLES = {"values": main, "findings": print_findings}
    words = sys.argv[1:] if sys.argv[1:2] and sys.argv[1] in TABLES else ["values", *sys.argv[1:]]
    TABLES[words[0]](*(int(word) for word in words[1:]))
