"""What becomes of a tank whose keeper does each morning what `saltern tank` advises, through what goes wrong meanwhile.

From 6.5 to 8.5 dKH, then thirty days: the electrode is dead for two days, nobody obeys on one day, a new bottle is
bridged, and a tube makes results rise by 1.5 % in ten days. The tank is drawn here, by `tests/tank/reef.py`'s light and
in its own way; findings, consumption and advice come from the functions that `saltern tank` uses.

    python -m tests.benchmarks.tank_followed [--tanks N] [--seed S]
"""

import argparse
from collections import Counter

import numpy as np

from saltern.chemistry.endpoint.curve import Estimate
from saltern.tank.advice import Situation, Wish, advice
from saltern.tank.consumption import consumption
from saltern.tank.findings import Circumstances, breaks_of, doubted, in_force, looks
from saltern.tank.history import Doser, Factor, History, Priors, Reference, Seen
from tests.tank.reef import DKH_PER_UMOL_KG, HOBBY_OWN_UMOL_KG, STEP_D, light_of

TANKS = 10
OWN, WITHIN = {"good": 3.2, "hobby": HOBBY_OWN_UMOL_KG}, {"good": 0.15, "hobby": 0.2}
START, TARGET = 6.5, 8.5
FOLLOWED_FROM_D, COUNTED_FROM_D, DAYS = 4, 14, 44
DEAD_D, DISOBEYED_D, BOTTLE_D, TUBE_D = (18.3, 20.3), 24, 28.4, 32.0
BRIDGE_U, TUBE_PERCENT_A_DAY = 0.003, 0.15
WANDER, WANDER_DAYS = 0.05, 2.0
VOLUME_L, SAMPLE_L = 400.0, 0.2


def followed(instruments, seed, days=DAYS):
    """Return the truth each ten minutes, and each morning's advice with what withheld it."""
    random = np.random.default_rng([seed, 8])
    own = OWN[instruments] * DKH_PER_UMOL_KG
    noise = (0.002**2 + (own / 7.0 / 3.0**0.5) ** 2) ** 0.5
    mean, wander = random.uniform(0.5, 1.5), WANDER * random.standard_normal()
    ratio, strength = 1.0 + 0.015 * random.standard_normal(), 1.0 + 0.01 * random.standard_normal()
    factor, rate, level = 0.006 * random.standard_normal(), mean * random.uniform(0.8, 1.0), START
    light = light_of("window", np.arange(144) / 144.0)
    priors = Priors(sample_part=SAMPLE_L / VOLUME_L, electrode_wander_mv=0.3)
    seen, references, factors, doser = [], [], [Factor(0.0, 0.006)], [Doser(0.0, rate)]
    told, looked_d, hold, given, levels = [], 6.0, None, [], []
    for k in range(round(days / STEP_D)):
        d = k * STEP_D
        if TUBE_D <= d < TUBE_D + 10.0:
            factor += 0.01 * TUBE_PERCENT_A_DAY * STEP_D
        if k == round(BOTTLE_D / STEP_D):
            bridged = BRIDGE_U * random.standard_normal()
            factor += bridged
            factors.append(Factor(d, BRIDGE_U))
        if k >= 288 and (k - 288) % 1008 == 0:
            found = factor + noise * random.standard_normal()
            references.append(Reference(d, found, noise))
            factors.append(Factor(d + 1e-4, noise, -found))
            factor -= found
        if k % 24 == 3 and not DEAD_D[0] <= d < DEAD_D[1]:
            seen.append(Seen(d, level * (1.0 + factor) + own * random.standard_normal(), own))
            level -= level * SAMPLE_L / VOLUME_L / ratio
        if k % 144 == 48 and d > FOLLOWED_FROM_D:
            history = History(tuple(seen), (), tuple(doser), (), tuple(references), tuple(factors))
            told += looks(history, priors, looked_d, d, told, Circumstances())
            looked_d = max(looked_d, seen[-1].at_d + 1e-6)
            word = advised(history, priors, told, d, rate)
            given.append(word)
            if int(d) != DISOBEYED_D:
                if word.withheld_because is None:
                    rate = round(max(0.0, word.dose_dkh_per_day + word.correction_dkh_per_day), 3)
                    hold = word.dose_dkh_per_day
                elif hold is not None:
                    rate = hold
                doser.append(Doser(d, rate))
        given_now = rate * strength / ratio * STEP_D
        level += given_now - (mean + wander) * (1.0 + 0.5 * light[k % 144]) * STEP_D
        decay = np.exp(-STEP_D / WANDER_DAYS)
        wander = wander * decay + WANDER * np.sqrt(1.0 - decay**2) * random.standard_normal()
        levels.append(level)
    return np.array(levels), given, told


def advised(history, priors, told, at_d, rate):
    """Return a morning's advice, as the picture of the tank has it."""
    found = consumption(history, priors, at_d, (1.0, 7.0), breaks_of(in_force(told)))
    newest = tuple(Estimate(each.dkh, each.u_own_dkh) for each in history.seen[-2:])
    week = [each for each in history.seen if each.at_d > at_d - 7.0]
    dilution = priors.sample_part * len(week) / 7.0 * history.seen[-1].dkh
    now = Situation(
        found, newest, at_d - history.seen[-1].at_d, tuple(doubted(told, history, at_d)), 0.015, rate, dilution
    )
    return advice(now, Wish(TARGET))


def main(tanks=TANKS, seed=1):
    """Print the table."""
    for instruments, within in WITHIN.items():
        off, steepest, withheld, arrived = [], [], Counter(), []
        for n in range(tanks):
            levels, given, _ = followed(instruments, seed + n)
            daily = levels.reshape(-1, 144).mean(axis=1)
            off += list(np.abs(daily[COUNTED_FROM_D:] - TARGET))
            arrived.append(int(np.argmax(np.abs(daily - TARGET) <= within)))
            steepest.append((levels[144:] - levels[:-144]).max())
            withheld.update(each.withheld_because.value for each in given if each.withheld_because is not None)
        print(
            f"   {instruments}: {100 * np.mean(np.array(off) <= within):.1f} % of {len(off)} days within {within} dKH, "
            f"worst {max(off):.2f}, arrived on day {np.median(arrived):.0f}, steepest {max(steepest):.2f} in 24 h; "
            f"mornings without advice: {dict(withheld)} of {tanks * (DAYS - FOLLOWED_FROM_D)}",
            flush=True,
        )


if __name__ == "__main__":
    options = argparse.ArgumentParser(prog="python -m tests.benchmarks.tank_followed")
    options.add_argument("--tanks", type=int, default=TANKS)
    options.add_argument("--seed", type=int, default=1)
    said = options.parse_args()
    main(said.tanks, said.seed)
