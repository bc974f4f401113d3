"""The table of the model of results, from determinations at the wire; and both side by side.

What volumes, strength, electrode and cell do is taken out with what was true of each run; what is left is the scatter
of evaluations, and that is what `instrument.toml` holds. A bench's first determination is left out: it has no past
that guides its doses. Of a bench that gave too few sound curves, only the share of its void runs counts.

    python -m tests.benchmarks.instrument_at_the_wire RUNS.jsonl
    python -m tests.benchmarks.instrument estimate RUNS.jsonl > drivers/saltern_drivers/twin/instrument.toml
    python -m tests.benchmarks.instrument compare RUNS.jsonl
"""

import json
import sys
from collections import Counter
from math import hypot, log, sqrt
from pathlib import Path

import numpy as np

from saltern.cli.logs import quiet_logs
from saltern.cli.simulation import run
from saltern_drivers.twin.electrode import GAS_OVER_FARADAY_MV
from saltern_drivers.twin.instrument import NEUTRAL_TOTAL_PH, ZERO_C
from tests.benchmarks.instrument_at_the_wire import DAYS, scenario_of

ERRORS = ("alkalinity", "E0", "slope", "pH")
HOUR_S = 3600.0
LEAST_SOUND = 8
MEDIAN_OF_NORMAL = 0.6745  # of the absolute value, in standard deviations
SETTLED_NOT = "electrode-not-settled"


def benches_in(path):
    """Return the benches of a file by world and class."""
    found = {}
    for line in Path(path).read_text().splitlines():
        bench = json.loads(line)
        found.setdefault((bench["world"], bench["instruments"]), []).append(bench)
    return found


def of_the_tank(entries):
    """Return the determinations of the tank: a triplicate of a reference came before them."""
    return [d for d in entries if d["source"] == "tank"]


def counted(bench):
    """Return the tank's runs that came to an end point, but the first."""
    tank = of_the_tank(bench["determinations"])
    return [d for d in tank[1:] if d["end_point"] is not None and d.get("after") is not None]


def spoilt(d):
    """Return what speaks against a run by itself: flags of its curve, and readings that never settled."""
    unsettled = [SETTLED_NOT] if SETTLED_NOT in d["alkalinity"]["reasons"] else []
    return [*d["end_point"]["flags"], *unsettled]


def too_high(bench, d):
    """Return the logarithm of what errors of mass and acid multiply a result with."""
    before, after = d["before"], d["after"]
    acid_umol = (before["alkalinity_g_umol_kg"] - after["alkalinity_g_umol_kg"]) / 1000.0
    believed_umol = 1000.0 * bench["believed"]["titrant_mol_per_l"] * d["titrant_ml"]
    return log(before["mass_g"] / d["sample_g"] * believed_umol / acid_umol)


def errors_of(bench, d):
    """Return what is left of the errors of one run: ln alkalinity, E0 in mV, slope, pH."""
    real, before, end = bench["real"], d["before"], d["end_point"]
    by_volumes = too_high(bench, d)
    true_umol_kg = before["alkalinity_g_umol_kg"] / before["mass_g"]
    slope, kelvin = real["electrode_slope_percent"] / 100.0, before["vessel_c"] + ZERO_C
    e0_mv = bench["believed"]["e7_mv"] + real["electrode_offset_mv"] + before["wander_mv"]
    e0_mv += real["electrode_drift_mv_per_h"] * before["at_s"] / HOUR_S
    e0_mv += GAS_OVER_FARADAY_MV * kelvin * (log(10.0) * slope * NEUTRAL_TOTAL_PH - by_volumes)
    return (
        log(end["umol_kg"] / true_umol_kg) - by_volumes,
        end["e0_mv"] - e0_mv,
        end["slope"] - slope,
        d["ph_total"]["value"] - d["ph_total"]["truth"],
    )


def estimate(benches):
    """Return the table of one class in one world."""
    of_all = [(bench, counted(bench)) for bench in benches]
    of_use = [(b, ds) for b, ds in of_all if sum(not spoilt(d) for d in ds) >= LEAST_SOUND]
    sound = [np.array([errors_of(b, d) for d in ds if not spoilt(d)]) for b, ds in of_use]
    return {
        **_of_benches(sound),
        **_of_runs(sound),
        **_of_spoilt([run for run in of_all if run[1]], sound, of_use),
        **_of_void(benches),
        **_as_stated(of_use),
        **_times_and_places(of_use),
    }


def _of_benches(sound):
    """Return how benches differ: the mean of each, freed of what runs scatter."""
    means, within = np.array([each.mean(axis=0) for each in sound]), _within(sound)
    several = len(means) > 1
    between = np.diag(np.cov(means.T) - within / np.mean([len(each) for each in sound])) if several else np.zeros(4)
    return {
        "bench_mean": list(means.mean(axis=0)),
        "bench_sd": list(np.sqrt(np.maximum(between, 0.0))),
        "bench_correlation": _correlation(means),
    }


def _of_runs(sound):
    """Return how runs of one bench scatter."""
    apart, own_sd = [each - each.mean(axis=0) for each in sound], np.sqrt(np.diag(_within(sound)))
    logs = [float(np.log(each.std(axis=0, ddof=1) / own_sd).mean()) for each in sound]
    by_chance = 1.0 / sqrt(2.0 * (np.mean([len(each) for each in sound]) - 1.0) * len(ERRORS))
    return {
        "own_sd": list(own_sd),
        "own_correlation": _correlation(np.concatenate(apart)),
        "own_sd_spread": sqrt(max(0.0, float(np.var(logs)) - by_chance**2)),
        "follows": min(0.95, max(0.0, float(follows(apart)[0]))),
    }


def _within(sound):
    apart = [each - each.mean(axis=0) for each in sound]
    return sum(each.T @ each for each in apart) / sum(len(each) - 1 for each in apart)


def _of_spoilt(of_all, sound, of_use):
    """Return how many runs of a bench are spoilt by themselves, how, and how far these are off."""
    own_sd, every = (
        np.sqrt(np.diag(_within(sound))),
        Counter(name for _, ds in of_all for d in ds for name in spoilt(d)),
    )
    bad = [(b, d, each.mean(axis=0)) for (b, ds), each in zip(of_use, sound, strict=True) for d in ds if spoilt(d)]
    off = [(errors_of(b, d)[0] - mean[0]) / own_sd[0] for b, d, mean in bad]
    return {
        "spoilt": [sum(bool(spoilt(d)) for d in ds) / len(ds) for _, ds in of_all],
        "spoilt_by": dict(every.most_common()),
        "spoilt_stretch": max(1.0, float(np.median(np.abs(off))) / MEDIAN_OF_NORMAL) if off else 1.0,
        "spoilt_u": max(1.0, _u_of(of_all, bad=True) / _u_of(of_all, bad=False)) if every else 1.0,
    }


def _u_of(of_all, *, bad):
    ends = [d["end_point"] for _, ds in of_all for d in ds if bool(spoilt(d)) is bad]
    return _median(end["u"] / end["umol_kg"] for end in ends)


def _of_void(benches):
    """Return how many runs of a bench did not come to an end point, and why."""
    tank = [of_the_tank(bench["determinations"]) for bench in benches]
    void = [[d for d in runs if d["alkalinity"]["verdict"] == "void"] for runs in tank]
    why = Counter(reason for runs in void for d in runs for reason in d["alkalinity"]["reasons"])
    shares = [len(lost) / len(runs) for lost, runs in zip(void, tank, strict=True)]
    return {"void": shares, "void_by": dict(why.most_common())}


def _as_stated(of_use):
    """Return what evaluations state of themselves."""
    every = [d for _, ds in of_use for d in ds]
    ends = [d["end_point"] for d in every]
    ln_u = [np.median([log(d["end_point"]["u"] / d["end_point"]["umol_kg"]) for d in ds]) for _, ds in of_use]
    of_model = [hypot(*(u for name, u in d["budget_ph"].items() if name != "curve")) for d in every]
    return {
        "u_relative": float(np.exp(np.mean(ln_u))),
        "u_spread": float(np.std(ln_u)),
        "e0_u_mv": _median(end["e0_u_mv"] for end in ends),
        "slope_u": _median(end["slope_u"] for end in ends),
        "ph_u": _median(d["budget_ph"]["curve"] for d in every),
        "ph_model_u": _median(of_model),
        "residual_mv": _median(end["residual_mv"] for end in ends),
        "points": int(_median(end["points"] for end in ends)),
    }


def _times_and_places(of_use):
    """Return how long a run takes, how warm the vessel is, and how far a titration goes on."""
    every = [(b, d, d["before"]) for b, ds in of_use for d in ds]
    takes = [d["finished_s"] - d["started_s"] for _, d, _ in every]
    ways = [(true, true["tank_c"] - true["room_c"]) for _, _, true in every]
    acid = [d["titrant_ml"] * 1000.0 * b["believed"]["titrant_mol_per_l"] for b, d, _ in every]
    return {
        "ph_read_s": _median(d["ph_read_s"] - d["started_s"] for _, d, _ in every),
        "takes_s": float(np.mean(takes)),
        "takes_sd_s": float(np.std(takes)),
        "tank_share": _median((true["vessel_c"] - true["room_c"]) / way for true, way in ways if abs(way) > 0.5),
        "titrant_over_end_point": _median(
            umol / (true["alkalinity_g_umol_kg"] / 1000.0) for umol, (_, _, true) in zip(acid, every, strict=True)
        ),
    }


def _median(values):
    return float(np.median(list(values)))


def follows(apart):
    """Return the correlation of each error with that of the run before, freed of what taking off means does to it."""
    sums = sum((each[1:] * each[:-1]).sum(axis=0) for each in apart)
    squares = sum((each**2).sum(axis=0) for each in apart)
    return sums / squares + 1.0 / np.mean([len(each) for each in apart])


def _correlation(rows):
    """Return correlations, drawn a little towards none: of few benches the matrix may be singular."""
    rows = np.array(rows)
    found = np.corrcoef(rows.T) if len(rows) > 4 else np.eye(len(ERRORS))
    return [[float(each) for each in row] for row in 0.98 * found + 0.02 * np.eye(len(found))]


def as_toml(tables, source):
    """Return the tables as a file."""
    lines = [f"# {line}" for line in source]
    for (world, instruments), table in tables.items():
        lines += ["", f"[{world}.{instruments}]"]
        lines += [f"{name} = {_toml(value)}" for name, value in table.items()]
    return "\n".join(lines) + "\n"


def _toml(value):
    if isinstance(value, dict):
        return "{ " + ", ".join(f'"{name}" = {count}' for name, count in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(map(_toml, value)) + "]"
    return str(value) if isinstance(value, int) else f"{value:.4g}"


def source_of(found):
    """Return where a table comes from, in lines."""
    seeds = sorted({bench["seed"] for benches in found.values() for bench in benches})
    counts = [
        f"  {world}, {instruments}: {len(benches)} benches, {sum(len(counted(b)) for b in benches)} determinations"
        for (world, instruments), benches in found.items()
    ]
    return (
        "How evaluations scatter, for the model of the instrument by its results: see instrument.py for what each is.",
        "Estimated by python -m tests.benchmarks.instrument estimate, and not written by hand, from benches that",
        "python -m tests.benchmarks.instrument_at_the_wire played at six a day for five days, after a triplicate each:",
        *counts,
        f"Seeds lie between {seeds[0]} and {seeds[-1]}.",
    )


# Both side by side ------------------------------------------------------------------------------


def course_of(entries):
    """Return what one bench's results say, from what a simulation prints: of accepted results, errors against truth.

    Alkalinity is relative, in percent; drift is its slope in a day, `follows` its correlation with the one before. The
    bare mean is that without the titre factor, which its triplicate found by chance. The first is left out, as it is
    always measured twice.
    """
    entries = of_the_tank(entries)[1:]
    verdicts = Counter(d["alkalinity"]["verdict"] for d in entries)
    counted = [d for d in entries if d["alkalinity"]["verdict"] == "accepted"]
    found = {name: verdicts[name] / len(entries) for name in ("accepted", "suspect", "void")}
    if len(counted) < LEAST_SOUND:
        return found
    off = np.array([100.0 * log(d["alkalinity"]["umol_per_kg"] / d["alkalinity"]["truth"]) for d in counted])
    bare = off - 100.0 * np.log([d["factor"] for d in counted])
    days = np.array([d["started_h"] / 24.0 for d in counted])
    apart = off - off.mean()
    by_quantity = {
        name: np.array([d[name]["value"] - d[name]["truth"] for d in counted]) for name in ("ph_total", "salinity")
    }
    return found | {
        "mean": off.mean(),
        "bare mean": bare.mean(),
        "sd": off.std(ddof=1),
        "follows": float((apart[1:] * apart[:-1]).sum() / (apart**2).sum()),
        "drift": float(np.polyfit(days, off, 1)[0]),
        "u": 100.0 * float(np.median([d["alkalinity"]["u"] / d["alkalinity"]["umol_per_kg"] for d in counted])),
        "pH mean": by_quantity["ph_total"].mean(),
        "pH sd": by_quantity["ph_total"].std(ddof=1),
        "salinity mean": by_quantity["salinity"].mean(),
        "salinity sd": by_quantity["salinity"].std(ddof=1),
    }


def by_results(instruments, world, seed, days=DAYS):
    """Return the course of the same bench and the same tank, played by results."""
    kept = []
    entries = run(scenario_of(instruments, world, seed, days, detail="result"), Path(), kept=kept)["determinations"]
    factors = [d.calibrated.get("titre.factor") for d in kept[: len(entries)]]
    return course_of([{**entry, "factor": factor} for entry, factor in zip(entries, factors, strict=True)])


def apart_in_sigmas(wire, results, name):
    """Return by how many standard errors the means over benches differ; both samples scatter alike, if they agree."""
    one, other = ([course[name] for course in courses if name in course] for courses in (wire, results))
    if len(one) < 2 or len(other) < 2:
        return 0.0
    squares = (len(one) - 1) * np.var(one, ddof=1) + (len(other) - 1) * np.var(other, ddof=1)
    error = sqrt(squares / (len(one) + len(other) - 2) * (1.0 / len(one) + 1.0 / len(other)))
    off = float(np.mean(other) - np.mean(one))
    return off / error if error else 0.0 if off == 0.0 else float("inf")


def compare(found):
    """Print both side by side, and by how many standard errors they differ."""
    for (world, instruments), benches in found.items():
        wire = [course_of(bench["determinations"]) for bench in benches]
        results = [by_results(instruments, world, bench["seed"]) for bench in benches]
        print(f"\n{world}, {instruments}: {len(benches)} benches, at the wire and by results")
        for name in dict.fromkeys(name for course in (*wire, *results) for name in course):
            one, other = ([course[name] for course in courses if name in course] for courses in (wire, results))
            if one and other:
                print(
                    f"  {name:14}{np.mean(one):10.4f} ({np.std(one):.4f}){np.mean(other):10.4f} ({np.std(other):.4f})"
                    f"{apart_in_sigmas(wire, results, name):8.1f}"
                )


def main(what, path):
    """Print the table, or the comparison; or keep the courses of the benches, for the tests."""
    quiet_logs()
    found = benches_in(path)
    if what == "estimate":
        print(as_toml({kind: estimate(benches) for kind, benches in found.items()}, source_of(found)), end="")
    elif what == "courses":
        print(json.dumps([_kept(bench) for benches in found.values() for bench in benches], indent=None))
    else:
        compare(found)


def _kept(bench):
    of_it = {name: bench[name] for name in ("instruments", "world", "seed")}
    return of_it | {"course": _rounded(course_of(bench["determinations"]))}


def _rounded(course):
    return {name: float(f"{value:.5g}") for name, value in course.items()}


if __name__ == "__main__":
    main(*sys.argv[1:])
