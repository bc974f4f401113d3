"""Whether stated uncertainties hold on the twin's own benches, played by results: the service judges and follows.

Two tables. A year: a result each 28 hours, a triplicate of a reference each week, by what the true factor does; scored
from week 12 on (and before it) are results, and the factor after each standardisation. Six weeks: six results a day,
a triplicate each week, in both worlds; scored from the second week on are results, changes, pH, salinity and trends.
The truth of each is the twin's: its ramps, room, electrode and water, none of which the service knows.

    python -m tests.benchmarks.coverage_by_results year|weeks [benches [rows to skip]]
"""

import sys
from collections import defaultdict
from datetime import timedelta
from itertools import product
from math import log, sqrt
from pathlib import Path

import numpy as np

from saltern.cli.logs import quiet_logs
from saltern.cli.simulation import WARM_UP_S, Stage, bench_of
from saltern.model.determination import Source
from saltern.model.parts import u_of_change
from saltern.model.verdict import Verdict
from saltern.records.store import IN_MEMORY
from saltern.tank.trend import trend
from saltern_drivers.twin.scenario import Scenario

CLASSES = ("good", "hobby")
RAMPS = (0.0, 0.2, -0.2, 1.0, -1.0, 2.0, -2.0)
YEAR_D, SETTLED_D, SIX_WEEKS_D, COUNTED_FROM_D = 364.0, 84.0, 42.0, 7.0
BENCHES = 400
FIRST_SEED = 20_000
A_DAY = 6
LAGS = {"consecutive": 1, "one day": A_DAY, "seven days": 7 * A_DAY}
DKH_A_DAY, UMOL_KG_PER_DKH = {"good": 0.05, "hobby": 0.15}, 348.5
REPORTED = (Verdict.ACCEPTED, Verdict.PROVISIONAL)


def play(instruments, world, truth, days, every_h, seed):
    """Play a bench; return its determinations with their truth, and of each standardisation ln(factor / true) and u."""
    scenario = Scenario.model_validate(
        {
            "seed": seed,
            "days": days,
            "schedule": {"every_h": every_h},
            "keeper": {"reference_every_d": 7.0},
            "twin": {"detail": "result", "instruments": instruments, "world": world, "truth": truth},
        }
    )
    stage = Stage(scenario, bench_of(scenario, Path()), IN_MEMORY)
    stage.play_until(days * 86400.0 + WARM_UP_S)
    stage.log.collect()
    results = list(zip(stage.log.outcomes, stage.log.determinations, strict=True))
    factors = [_factor(stage, done) for done in stage.procedures if done["outcome"] == "done"]
    stage.close()
    return results, factors


def _factor(stage, done):
    """Return when a factor was found, by how much its logarithm is off, and its standard uncertainty."""
    world, at_s = stage.play.world, 3600.0 * done["at_h"]
    pump, titrant = stage.play.bench["pumps"], stage.play.bench["titrant"]
    filled, left = stage.play.bench["sample"]["volume_ml"], stage.play.bench["vessel"]["residue_ml"]

    def gain(name):
        return world.real[f"{name}_ml_per_unit"] * world.seasons.gain(name, at_s) / pump[name]["ml_per_unit"]

    sample = (filled * gain("sample") + world.residue_ml) / (filled + left)
    acid = gain("titrant") * world.titrant_umol_ml / (1000.0 * titrant["concentration_mol_per_l"])
    values = done["result"]["values"]
    return at_s / 86400.0, log(values["titre.factor"] * sample / acid), values["titre.u_percent"] / 100.0


def tank_results(results):
    """Return the reported results of the tank."""
    return [(d, entry) for d, entry in results if d.source is Source.TANK and d.alkalinity.verdict in REPORTED]


def off_of(d, entry):
    return d.alkalinity.value - entry["alkalinity"]["truth"]


# A year -------------------------------------------------------------------------------------


def year_of(instruments, truth, seed):
    """Return by name what one bench's year says."""
    results, factors = play(instruments, "near", truth, YEAR_D, 28.0, seed)
    rows = [(d.started_s / 86400.0, off_of(d, entry), d.alkalinity.u) for d, entry in tank_results(results)]
    late, early = ([row for row in rows if (row[0] >= SETTLED_D) is after] for after in (True, False))
    return {
        "bias": float(np.mean([off for _, off, _ in late])),
        "results": _within(late),
        "factors": _within([row for row in factors if row[0] >= SETTLED_D]),
        "weeks 0 to 12": _within(early),
        "u": float(np.mean([u for *_, u in late])),
        "rms": float(np.sqrt(np.mean([off**2 for _, off, _ in late]))),
    }


def _within(rows):
    return 100.0 * float(np.mean([abs(off) <= 2.0 * u for _, off, u in rows]))


# Six weeks ----------------------------------------------------------------------------------


def weeks_of(instruments, world, truth, seed):
    """Return by name what one bench's six weeks say, in percent."""
    results, _ = play(instruments, world, truth, SIX_WEEKS_D, 4.0, seed)
    counted = [(d, e) for d, e in tank_results(results) if d.started_s >= COUNTED_FROM_D * 86400.0]
    found = defaultdict(list)
    if len(counted) < 7 * A_DAY:
        return {}
    found["not reported"] = [d.alkalinity.verdict not in REPORTED for d, _ in results if d.source is Source.TANK]
    for d, entry in counted:
        found["results"].append(abs(off_of(d, entry)) <= 2.0 * d.alkalinity.u)
        for name, quantity in (("ph_total", d.ph_total), ("salinity", d.salinity)):
            if quantity.verdict in REPORTED:
                found[name].append(abs(quantity.value - entry[name]["truth"]) <= 2.0 * quantity.u)
    for name, lag in LAGS.items():
        for (d, entry), (later, its) in zip(counted, counted[lag:], strict=False):
            across = "across" if d.calibrations.get("titre") != later.calibrations.get("titre") else "within"
            off = off_of(later, its) - off_of(d, entry)
            u = u_of_change(d.alkalinity.in_parts(), later.alkalinity.in_parts())
            found[f"{name}, {across}"].append(abs(off) <= 2.0 * u)
    for from_d in np.arange(12.5, SIX_WEEKS_D - 7.0, 7.0):  # references on the 9th, the 16th, ...: in the middle
        week = [(d, e) for d, e in counted if from_d <= d.started_s / 86400.0 < from_d + 7.0]
        found["false trend"].append(sure(week, 0.0))
        found["true trend called"].append(sure(week, UMOL_KG_PER_DKH * DKH_A_DAY[instruments]))
    return {name: 100.0 * float(np.mean(each)) for name, each in found.items()}


def sure(week, umol_kg_per_day):
    """Return whether a week is called a sure trend, of a tank that truly goes by so much."""
    begun = week[0][0].started_at
    days = [(d.started_at - begun) / timedelta(days=1) for d, _ in week]
    line = trend(
        [d.started_at for d, _ in week],
        [2450.0 + off_of(d, entry) + umol_kg_per_day * day for (d, entry), day in zip(week, days, strict=True)],
        [d.alkalinity.in_parts() for d, _ in week],
        [d.calibrations.get("titre", 0) for d, _ in week],
    )
    return abs(line.umol_kg_per_day) > 2.0 * line.u_umol_kg_per_day


# Tables -------------------------------------------------------------------------------------


def table(title, benches, of_a_bench):
    """Print the means over benches of what each says, with the 95 % interval by bench."""
    found = [of_a_bench(FIRST_SEED + seed) for seed in range(benches)]
    said = [each for each in found if each]
    print(
        f"\n{title}: {len(said)} benches" + (f", {benches - len(said)} gave too few results" if said != found else "")
    )
    for name in dict.fromkeys(name for each in said for name in each):
        values = np.array([each[name] for each in said if name in each])
        half = 1.96 * values.std(ddof=1) / sqrt(len(values)) if len(values) > 1 else float("nan")
        print(f"  {name:24}{values.mean():8.1f} ± {half:.1f}", flush=True)


def main(which, benches=BENCHES, skip=0):
    """Print one of the tables."""
    quiet_logs()
    if which == "year":
        for ramp, instruments in list(product(RAMPS, CLASSES))[skip:]:
            truth = {"titre_ramp_percent_per_month": ramp}
            title = f"{instruments}, the factor goes by {ramp:+.1f} % a month"
            table(title, benches, lambda seed, of=(instruments, truth): year_of(*of, seed))
        return
    rows = [("near", {"titre_ramp_percent_per_month": ramp}) for ramp in (0.0, 1.0, -1.0)] + [("unfriendly", {})]
    for (world, truth), instruments in list(product(rows, CLASSES))[skip:]:
        title = f"{instruments}, {world}, {truth or 'as drawn'}"
        table(title, benches, lambda seed, of=(instruments, world, truth): weeks_of(*of, seed))


if __name__ == "__main__":
    main(sys.argv[1], *map(int, sys.argv[2:]))
