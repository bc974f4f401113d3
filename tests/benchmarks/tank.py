"""What `saltern tank` says of tanks whose truth it does not know: a judge of values, delays, false alarms and causes.

Tanks, results, references and the electrode's offset are drawn by `tests/tank/reef.py`, in steps of ten minutes, and
share only the words of a history with the product. How far a tank wanders, how it is lit, what its doses and its volume
are off by, and how the bench drifts are drawn for each tank, and the product is told the usual uncertainty of each.
What it says is read from the same functions that `saltern tank` prints.

    python -m tests.benchmarks.tank [--tanks N] [--seed S] [--only PART ...] [--before]

`--before` looks after each result by itself, as far as a product without `looks` allows.
"""

import argparse
from collections import Counter
from dataclasses import replace
from itertools import pairwise

import numpy as np

from saltern.tank.consumption import consumption
from saltern.tank.findings import Cause, Circumstances, Whose, in_force, look
from saltern.tank.forecast import forecast, is_leaving
from tests.tank.reef import HOBBY_OWN_UMOL_KG, STEP_D, Reef, play, priors_of

TANKS = 60
OWN = {"good": 3.2, "hobby": HOBBY_OWN_UMOL_KG}
USUAL = Reef(
    1,
    1,
    wander=(0.03, 0.10),
    dosed_over_consumed=(0.9, 1.1),
    ramp_percent_per_month=(0.0, 1.0),
    reference_every_d=7.0,
    standardised=True,
)
WITH_OFFSET, WITHOUT_OFFSET = {"electrode_wander_mv": 0.3}, {"electrode_wander_mv": None}
LEVEL_DKH = 8.0
FROM_D = 8.0
CAUSES_AT_D, NEXT_REFERENCE_D, DRIFTS_SOONER_D = 19.0, 23.0, 7.0
"""Causes begin in the day before or after day 19; a reference comes on day 23, and a day later it is read.

Drifts begin a week sooner, for a drift of the unit size has moved results by 0.4 % when the first reference comes: it
is read after the second.
"""

UNITS = {
    "good": {"rate": 0.2, "level": 0.15, "factor": 0.8, "drift": 2.5},
    "hobby": {"rate": 0.3, "level": 0.25, "factor": 3.0, "drift": 6.0},
}
"""dKH/day, dKH, percent, percent a month: what the data allow to know, by tank-contract.md."""

GROUPS = {
    "rate up": {Cause.CONSUMPTION_ROSE, Cause.DOSE_MISSED},
    "rate down": {Cause.CONSUMPTION_FELL, Cause.DOSE_EXCESS},
    "level": {Cause.DOSE_UNLOGGED, Cause.DOSE_EXCESS, Cause.WATER_CHANGE_UNLOGGED},
    "volumes": {
        Cause.SAMPLE_TUBE_WORN,
        Cause.TITRANT_TUBE_WORN,
        Cause.TITRANT_CHANGED,
        Cause.FACTOR_MOVED,
        Cause.AIR_IN_TITRANT_LINE,
        Cause.AIR_IN_SAMPLE_LINE,
    },
}
SIZES = ("below", "one to two", "above two")
RIGHT = {"rate": Whose.TANK, "level": Whose.TANK, "factor": Whose.INSTRUMENT, "drift": Whose.INSTRUMENT}
AROUND = Circumstances()


def told_of(history, priors, begin_d, end_d, before=False):
    """Return what is told after each result of a time."""
    if not before:
        from saltern.tank.findings import looks

        return looks(history, priors, begin_d, end_d, [], AROUND)
    told = []
    for each in history.seen:
        if begin_d <= each.at_d <= end_d:
            found = look(history, priors, each.at_d + 1e-3, told, AROUND)
            told += [] if found is None else [found]
    return told


def reefs(reef, seed, offset):
    played = play(reef, seed)
    priors = priors_of(reef, electrode_wander_mv=0.3)
    return played, [(history, priors) for history in played.histories]


# Values ----------------------------------------------------------------------------------


def values(instruments, tanks, seed, **more):
    """Return for day 7 and 14 and each tank: errors and standard uncertainties of net rate, consumption, level."""
    reef = replace(USUAL, tanks=tanks, days=15, own_umol_kg=OWN[instruments], **more)
    played, known = reefs(reef, seed, None)
    rows = {}
    for day in (4.0, 7.0, 10.0, 14.0):
        for i, (history, priors) in enumerate(known):
            found = consumption(history, priors, day, (1.0, 7.0))
            week, past = found.windows[7.0], found.windows[1.0]
            truths = {
                "net": (week.net_dkh_per_day, played.over(played.net, day, week.days)[i]),
                "consumption": (week.consumption_dkh_per_day, played.over(played.consumed, day, week.days)[i]),
                "level": (past.alkalinity_dkh, played.level[played.at(day - 1.0) : played.at(day), i].mean()),
            }
            for name, (said, truth) in truths.items():
                rows.setdefault((name, day), []).append((said.value - truth, said.u, truth))
    return {key: np.array(each).T for key, each in rows.items()}


def print_values(tanks, seed):
    print(f"values as they stood, {tanks} tanks a row; 'near': net 0.01 or 0.02, consumption 5 % or 0.04 dKH/day")
    print(f"{'':32}{'rms':>8}{'rms u':>8}{'near':>7}{'in 2 u':>8}")
    kinds = {
        "": {},
        "doses scatter by 5 %, wander 0.2": {"scatter_percent": 5.0, "wander": (0.2, 0.2)},
        "volume to 10 %, a test dose": {"volume_percent": 5.0, "test_dose_at_d": 3.4},
    }
    for instruments in OWN:
        for kind, more in kinds.items():
            found = values(instruments, tanks, seed, **more)
            print(f"{instruments}, {kind or 'usual'}")
            for (name, day), (off, u, truth) in found.items():
                if day not in (7.0, 14.0):
                    continue
                net = 0.01 if instruments == "good" else 0.02
                most = {"net": net, "consumption": np.maximum(0.05 * truth, 0.04), "level": 0.1}[name]
                print(
                    f"   {name + ', day ' + str(round(day)):29}{np.sqrt(np.mean(off**2)):8.4f}"
                    f"{np.sqrt(np.mean(u**2)):8.4f}{100 * np.mean(np.abs(off) <= most):7.1f}"
                    f"{100 * np.mean(np.abs(off) <= 2 * u):8.1f}"
                )
            for name in ("net", "consumption", "level"):
                off, u, _ = np.hstack([each for key, each in found.items() if key[0] == name])
                print(f"   {name + ', days 4 to 14':53}{100 * np.mean(np.abs(off) <= 2 * u):8.1f}", flush=True)


# Delays and false alarms -----------------------------------------------------------------

DELAYS = (
    ("good", 0.03, 0.3, 16.0),
    ("hobby", 0.03, 0.3, 30.0),
    ("good", 0.08, 0.3, 24.0),
    ("hobby", 0.08, 0.45, 36.0),
)


def delays_h(instruments, wander, size, tanks, seed, offset=None, before=False):
    """Return after how many hours a change was told, and named the tank, in each tank; infinite where it was not."""
    random = np.random.default_rng([seed, 3])
    begins = 16.0 + random.random(tanks)
    reef = replace(
        USUAL,
        tanks=tanks,
        days=20,
        own_umol_kg=OWN[instruments],
        wander=(wander, wander),
        rate_step=(begins, np.full(tanks, size)),
        **(WITHOUT_OFFSET if offset is None else offset),
    )
    found = []
    for (history, priors), begin in zip(reefs(reef, seed, None)[1], begins, strict=True):
        told = told_of(history, priors, begin, begin + 3.0, before)
        of_tank = [each for each in told if each.whose is Whose.TANK]
        found.append([min((24.0 * (each.at_d - begin) for each in some), default=np.inf) for some in (told, of_tank)])
    return np.array(found).T


def print_delays(tanks, seed, before=False):
    print(f"a change of the consumption, begun at any hour, {tanks} tanks a row")
    for k, (instruments, wander, size, within_h) in enumerate(DELAYS):
        told, named = delays_h(instruments, wander, size, tanks, seed + k, before=before)
        nine = np.sort(told)[int(np.ceil(0.9 * tanks)) - 1]
        print(
            f"   {instruments:6} wander {wander}, {size} dKH/day: told {100 * np.mean(told <= within_h):5.1f} % within "
            f"{within_h:g} h, median {np.median(told):.0f} h, 90 % by {nine:.0f} h; named the tank "
            f"{100 * np.mean(named <= within_h):.1f} %, median {np.median(named):.0f} h",
            flush=True,
        )


def false_alarms(instruments, tanks, days, seed, offset, before=False):
    """Return what is told of tanks in which nothing happens, but that they wander and that benches drift."""
    reef = replace(USUAL, tanks=tanks, days=days, own_umol_kg=OWN[instruments], **offset)
    return [told_of(history, priors, FROM_D, float(days), before) for history, priors in reefs(reef, seed, None)[1]]


def print_false_alarms(tanks, seed, before=False, days=92):
    for instruments in OWN:
        for name, offset in (("no offset known", WITHOUT_OFFSET), ("offset wanders", WITH_OFFSET)):
            every = false_alarms(instruments, tanks, days, seed, offset, before)
            years = tanks * (days - FROM_D) / 365.0
            new = [each for told in every for each in told if each.supersedes is None]
            named = sum(each.whose is not Whose.CANNOT_TELL for told in every for each in told)
            kinds = Counter(each.shape.value for each in new)
            print(
                f"   {instruments:6} {name:16} {len(new):3} false in {years:.1f} tank-years: {len(new) / years:.2f} a "
                f"year ({dict(kinds)}), {named} of them named at some time",
                flush=True,
            )


# Causes ----------------------------------------------------------------------------------


def causes(instruments, tanks, seed, offset, before=False):
    """Return for each tank: what happened, its size in units, and what was told."""
    random = np.random.default_rng([seed, 5])
    kinds = random.permutation([["rate", "level", "factor", "drift", "nothing"][i % 5] for i in range(tanks)])
    units = np.exp(random.uniform(np.log(0.5), np.log(4.0), tanks)) * np.where(random.random(tanks) < 0.5, -1.0, 1.0)
    begins = CAUSES_AT_D + random.uniform(-1.0, 1.0, tanks) - np.where(kinds == "drift", DRIFTS_SOONER_D, 0.0)

    def of(kind):
        return begins, np.where(kinds == kind, units * UNITS[instruments].get(kind, 0.0), 0.0)

    reef = replace(
        USUAL, tanks=tanks, days=25, own_umol_kg=OWN[instruments], consumption=(1.0, 2.0), rate_step=of("rate"),
        level_step=of("level"), factor_step=of("factor"), ramp_step=of("drift"), **offset,
    )  # fmt: skip
    rows = []
    for i, (history, priors) in enumerate(reefs(reef, seed, None)[1]):
        told = told_of(history, priors, 11.0, NEXT_REFERENCE_D + 1.0, before)
        rows.append((str(kinds[i]), float(units[i]), float(begins[i]), told))
    return rows


def verdict_on(kind, units, told):
    """Return the column of the confusion matrix: what stands at the end, and whether the group of causes is right."""
    stands = in_force(told)
    if not stands:
        return "silent", False
    last = stands[-1]
    if kind == "rate":
        group = GROUPS["rate up" if units > 0 else "rate down"]
    else:
        group = GROUPS["level" if kind == "level" else "volumes"]
    return last.whose.value, last.cause in group


def print_causes(tanks, seed, before=False):
    for instruments in OWN:
        for name, offset in (("no offset known", WITHOUT_OFFSET), ("offset wanders", WITH_OFFSET)):
            print_matrix(f"{instruments}, {name}", causes(instruments, tanks, seed, offset, before))


def print_matrix(title, rows):
    print(f"causes, a day after the next reference (drifts: the second): {title}, {len(rows)} tanks")
    table, groups = {}, Counter()
    for kind, units, _, told in rows:
        size = (
            "" if kind == "nothing" else "below" if abs(units) < 1 else "one to two" if abs(units) < 2 else "above two"
        )
        column, right = verdict_on(kind, units, told)
        table.setdefault((kind, size), Counter())[column] += 1
        if size == "above two":
            groups[kind] += right
    columns = ("tank", "instrument", "cannot-tell", "silent")
    print(f"   {'':24}" + "".join(f"{each:>13}" for each in columns) + f"{'group right':>13}")
    for (kind, size), row in sorted(table.items()):
        right = f"{groups[kind]:13}" if size == "above two" else ""
        print(f"   {kind + ' ' + size:24}" + "".join(f"{row[each]:13}" for each in columns) + right)
    of = {size: [row for row in rows if row[0] != "nothing" and _size(row[1]) == size] for size in range(3)}
    ends = {size: [(row[0], *verdict_on(row[0], row[1], row[3])) for row in of[size]] for size in of}
    named = [end for end in ends[0] if end[1] in ("tank", "instrument")]
    right = [end for end in ends[2] if end[1] == RIGHT[end[0]].value]
    every = [end for size in ends for end in ends[size]]
    wrong = [end for end in every if end[1] in ("tank", "instrument") and end[1] != RIGHT[end[0]].value]
    before = [(row, in_force([each for each in row[3] if each.at_d <= NEXT_REFERENCE_D])) for row in rows]
    wrongly = [(row, stood[-1].id) for row, stood in before if stood and _is_wrong(row[0], stood[-1])]
    mended = sum(any(each.supersedes == number for each in row[3]) for row, number in wrongly)
    quiet = [row for row in rows if row[0] == "nothing"]
    told = sum(any(each.whose is not Whose.CANNOT_TELL for each in row[3]) for row in quiet)
    asks = [each.ask for row in rows for each in row[3] if each.shape is not None and each.whose is Whose.CANNOT_TELL]
    print(
        f"   below one unit named {len(named)} of {len(ends[0])}; above two right {len(right)} of {len(ends[2])}, "
        f"their group {sum(end[2] for end in ends[2])}; wrong {len(wrong)} of {len(every)}; nothing happened, named "
        f"{told} of {len(quiet)}; of {len(asks)} that cannot tell {sum(each is not None for each in asks)} ask; "
        f"wrong before the reference {len(wrongly)}, of them taken back or replaced within a day of it {mended}",
        flush=True,
    )


def _is_wrong(kind, finding):
    """Return whether a finding names the other one, or anything where nothing happened."""
    return finding.whose is not Whose.CANNOT_TELL and finding.whose is not RIGHT.get(kind)


def _size(units):
    return int(abs(units) >= 1.0) + int(abs(units) >= 2.0)


# Forecast --------------------------------------------------------------------------------


def forecasts(instruments, tanks, seed):
    """Return pairs: how sure it was that a tank lies below its band some midnight, and whether it did."""
    reef = replace(
        USUAL, tanks=tanks, days=28, own_umol_kg=OWN[instruments], dosed_over_consumed=(0.8, 1.05), **WITHOUT_OFFSET
    )
    played, known = reefs(reef, seed, None)
    random = np.random.default_rng([seed, 9])
    pairs = []
    for i, (history, priors) in enumerate(known):
        for day in (8.0, 14.0, 20.0):
            low = played.level[played.at(day), i] - random.uniform(-0.2, 1.2)
            ahead = forecast(history.until(day), priors, day, low, low + 10.0)
            for night in ahead.nights:
                pairs.append((night.below, played.level[played.at(night.at_d), i] < low))
    return np.array(pairs, dtype=float)


def print_forecasts(tanks, seed):
    print(f"forecasts of one to seven nights, {tanks} tanks, three days each: said to lie below, and did")
    for instruments in OWN:
        said, was = forecasts(instruments, tanks, seed).T
        edges = (0.0, 0.05, 0.2, 0.4, 0.6, 0.8, 0.95, 1.0001)
        cells = []
        for low, high in pairwise(edges):
            mine = (said >= low) & (said < high)
            if mine.any():
                cells.append(f"{100 * said[mine].mean():.0f} -> {100 * was[mine].mean():.0f} % ({mine.sum()})")
        about = (said > 0.6) & (said < 0.8)
        print(f"   {instruments}: " + ", ".join(cells))
        print(
            f"   {instruments}: of nights said to be 60 to 80 % sure (mean {100 * said[about].mean():.1f}), "
            f"{100 * was[about].mean():.1f} % were so; n {about.sum()}",
            flush=True,
        )


LOW_DKH, HIGH_DKH = LEVEL_DKH - 1.0, LEVEL_DKH + 1.0
GRACE_D = 1.0


def early_warnings(instruments, tanks, seed, days=28, every=2):
    """Return warnings that a tank leaves its band (told at, for when, whether it did by then and a day more), and when
    each tank left it (told at, or None).

    A warning lasts until the band is left, or until it is hardly likely any more, as the service has it.
    """
    reef = replace(
        USUAL, tanks=tanks, days=days, own_umol_kg=OWN[instruments], dosed_over_consumed=(0.9, 1.1), **WITHOUT_OFFSET
    )
    played, known = reefs(reef, seed, None)
    warned, left = [], []
    for i, (history, priors) in enumerate(known):
        out = (played.level[:, i] < LOW_DKH) | (played.level[:, i] > HIGH_DKH)
        first_out_d = np.argmax(out) * STEP_D if out.any() else np.inf
        standing_since = None
        for seen in history.seen[12::every]:
            if seen.at_d >= first_out_d or not LOW_DKH <= seen.dkh <= HIGH_DKH:
                break
            ahead = forecast(history.until(seen.at_d), priors, seen.at_d, LOW_DKH, HIGH_DKH)
            if ahead is None:
                continue
            leaving = is_leaving(ahead)
            if leaving and standing_since is None:
                standing_since = seen.at_d
                warned.append((seen.at_d, ahead.leaves.at_d, first_out_d <= ahead.leaves.at_d + GRACE_D))
            elif leaving is False:
                standing_since = None
        if np.isfinite(first_out_d):
            left.append((first_out_d, standing_since))
    return warned, left


def print_early_warnings(tanks, seed):
    """Print how many warnings come true, and how long before a tank leaves its band it is warned of."""
    print(f"early warnings: dosed 0.9 to 1.1 of what is consumed, band 1 dKH around 8; {tanks} tanks a row, 28 days")
    for instruments in OWN:
        warned, left = early_warnings(instruments, tanks, seed)
        true = sum(came for _, _, came in warned)
        ahead_d = sorted(out_d - since for out_d, since in left if since is not None)
        missed = sum(since is None or out_d - since < 0.5 for out_d, since in left)
        median = f"{ahead_d[len(ahead_d) // 2]:.1f}" if ahead_d else "-"
        print(
            f"  {instruments:<6} {len(warned)} warnings, {true} came true by the day that was said and one more; "
            f"{len(left)} tanks left, warned {median} days before (median), {missed} less than half a day or not at all"
        )


PARTS = ("values", "delays", "false-alarms", "causes", "forecasts", "early-warnings")


def main(tanks=TANKS, seed=1, only=PARTS, before=False):
    """Print the tables."""
    if "values" in only:
        print_values(tanks, seed)
    if "delays" in only:
        print_delays(tanks, seed + 100, before)
    if "false-alarms" in only:
        print(
            f"nothing happens: wander 0.03 to 0.10, ramps of 0 to 1 % a month, weekly references; {tanks} tanks a row"
        )
        print_false_alarms(tanks, seed + 200, before)
    if "causes" in only:
        print_causes(5 * tanks, seed + 300, before)
    if "forecasts" in only:
        print_forecasts(tanks, seed + 400)
    if "early-warnings" in only:
        print_early_warnings(tanks, seed + 500)


if __name__ == "__main__":
    options = argparse.ArgumentParser(prog="python -m tests.benchmarks.tank")
    options.add_argument("--tanks", type=int, default=TANKS)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--only", nargs="+", choices=PARTS, default=PARTS)
    options.add_argument("--before", action="store_true")
    said = options.parse_args()
    main(said.tanks, said.seed, said.only, said.before)
