"""Reefs for the tests: a mass balance in steps of ten minutes, many tanks at once, with truths that no filter knows.

It shares nothing with the product but the words of a history, which is what a keeper could write down: the light is a
window with soft edges and not a cosine, the wander is drawn in its own way, errors multiply and are not linearised.
"""

from dataclasses import dataclass

import numpy as np

from saltern.tank.history import Dose, Doser, Factor, History, Priors, Reference, Seen

DKH_PER_UMOL_KG = 0.0028735  # at S 35 and 20 degC, from the published 2.8039 dKH per meq/L and 1.02476 kg/L
GOOD_OWN_UMOL_KG, HOBBY_OWN_UMOL_KG = 3.2, 14.3
STEP_D = 1.0 / 144.0
SAMPLE_EVERY = 24  # steps: six a day
VOLUME_L = 400.0


@dataclass(frozen=True)
class Reef:
    """What is played. Percentages are one standard deviation, unless said otherwise."""

    tanks: int
    days: int
    own_umol_kg: float = GOOD_OWN_UMOL_KG
    consumption: tuple[float, float] = (0.5, 1.5)
    level: float = 8.0
    swing: float = 0.5
    light: str = "window"
    wander: tuple[float, float] = (0.05, 0.05)
    wander_days: float = 2.0
    dosed_over_consumed: tuple[float, float] = (0.8, 1.1)
    volume_percent: float = 1.5
    dose_percent: float = 1.0
    scatter_percent: float = 0.0
    factor_percent: float = 0.6
    ramp_percent_per_month: tuple[float, float] = (0.0, 0.0)
    sample_l: float = 0.2
    test_dose_at_d: float | None = None  # of 1 dKH
    # of the changes, day and size are numbers, or arrays with one for each tank
    rate_step: tuple[float, float] | None = None  # at day, dKH/day
    level_step: tuple[float, float] | None = None  # at day, dKH, which nobody logs
    factor_step: tuple[float, float] | None = None  # at day, percent of the results
    ramp_step: tuple[float, float] | None = None  # from day, percent a month
    reference_every_d: float = 0.0
    reference_u: float = 0.002
    standardised: bool = False  # whether results follow the newest reference
    outliers: float = 0.0  # share of results that are off
    outlier_dkh: float = 0.3
    electrode_wander_mv: float | None = None  # in the square root of a day; None: no offset is known
    e0_mv: float = 0.05  # noise of one fitted offset


@dataclass(frozen=True)
class Played:
    """Truths on the ten-minute grid, shapes (steps + 1, tanks), and what the keepers know."""

    level: np.ndarray
    consumed: np.ndarray  # cumulated
    net: np.ndarray  # cumulated doses less uptake less dilution
    wander_sd: np.ndarray
    volume_ratio: np.ndarray
    histories: list[History]

    def at(self, d):
        return round(d / STEP_D)

    def over(self, cumulated, end_d, days):
        return (cumulated[self.at(end_d)] - cumulated[self.at(end_d - days)]) / days


def light_of(kind, phase):
    if kind == "cosine":
        return -np.cos(2.0 * np.pi * phase)
    window = np.clip((phase - 0.35) / 0.08, 0.0, 1.0) * np.clip((0.80 - phase) / 0.08, 0.0, 1.0)
    return 2.0 * (window - 0.37)  # its mean over the day is zero


def play(reef, seed):
    random = np.random.default_rng(seed)
    n, steps = reef.tanks, round(reef.days / STEP_D)
    mean = random.uniform(*reef.consumption, n)
    wander_sd = random.uniform(*reef.wander, n)
    wander = wander_sd * random.standard_normal(n)
    ratio = 1.0 + 0.01 * reef.volume_percent * random.standard_normal(n)  # true over believed
    strength = 1.0 + 0.01 * reef.dose_percent * random.standard_normal(n)
    dosed = mean * random.uniform(*reef.dosed_over_consumed, n)
    factor = 0.01 * reef.factor_percent * random.standard_normal(n)
    ramp = 0.01 / 30.0 * random.uniform(*reef.ramp_percent_per_month, n)
    level = np.full(n, reef.level)
    levels, consumed, net = [level], [np.zeros(n)], [np.zeros(n)]
    own = reef.own_umol_kg * DKH_PER_UMOL_KG
    seen = [[] for _ in range(n)]
    references = [[] for _ in range(n)]
    sampled_at = 3  # 0:30
    scatter, offset, followed = np.zeros(n), np.full(n, 400.0), np.zeros(n)
    factors = [[Factor(0.0, 0.01 * reef.factor_percent)] for _ in range(n)]
    decay = np.exp(-STEP_D / reef.wander_days)
    for k in range(steps):
        d = k * STEP_D
        if k % 144 == 0:
            scatter = 0.01 * reef.scatter_percent * random.standard_normal(n)
        physical = ramp * d
        if reef.factor_step is not None:
            physical = physical + np.where(d >= reef.factor_step[0], 0.01 * reef.factor_step[1], 0.0)
        if reef.ramp_step is not None:
            physical = physical + 0.01 / 30.0 * reef.ramp_step[1] * np.maximum(0.0, d - reef.ramp_step[0])
        error = factor + physical - followed
        lost = np.zeros(n)
        if k % SAMPLE_EVERY == sampled_at:
            results = level * (1.0 + error) + own * random.standard_normal(n)
            if reef.outliers:
                off = np.where(random.random(n) < 0.5, -1.0, 1.0) * reef.outlier_dkh
                results = results + np.where(random.random(n) < reef.outliers, off, 0.0)
            e0 = [None] * n
            if reef.electrode_wander_mv is not None:
                offset = offset + reef.electrode_wander_mv * np.sqrt(SAMPLE_EVERY * STEP_D) * random.standard_normal(n)
                # results and offset of one titration come from the same volumes, whatever factor is counted with
                e0 = (offset - 25.7 * (factor + physical) + reef.e0_mv * random.standard_normal(n)).tolist()
            for i in range(n):
                seen[i].append(Seen(d, float(results[i]), own, e0[i], reef.e0_mv))
            lost = level * reef.sample_l / (VOLUME_L * ratio)
        if (
            reef.reference_every_d
            and d > 1.0
            and (k - round(2.0 / STEP_D)) % round(reef.reference_every_d / STEP_D) == 0
        ):
            noise = (reef.reference_u**2 + (own / 7.0 / np.sqrt(3.0)) ** 2) ** 0.5
            found = error + noise * random.standard_normal(n)
            for i in range(n):
                references[i].append(Reference(d, float(found[i]), noise))
                if reef.standardised:
                    factors[i].append(Factor(d + 1e-4, noise, -float(found[i])))
            if reef.standardised:
                followed = followed + found
        rate = mean.copy()
        if reef.rate_step is not None:
            rate = rate + np.where(d >= reef.rate_step[0], reef.rate_step[1], 0.0)
        taken = (rate + wander) * (1.0 + reef.swing * light_of(reef.light, d % 1.0)) * STEP_D
        given = dosed * strength * (1.0 + scatter) / ratio * STEP_D
        if reef.test_dose_at_d is not None and k == round(reef.test_dose_at_d / STEP_D):
            given = given + strength / ratio
        if reef.level_step is not None:
            given = given + np.where(k == np.round(np.divide(reef.level_step[0], STEP_D)), reef.level_step[1], 0.0)
        level = level + given - taken - lost
        levels.append(level)
        consumed.append(consumed[-1] + taken)
        net.append(net[-1] + given - taken - lost)
        wander = decay * wander + wander_sd * np.sqrt(1.0 - decay**2) * random.standard_normal(n)
    doses = () if reef.test_dose_at_d is None else (Dose(reef.test_dose_at_d, 1.0),)
    histories = [
        History(
            seen=tuple(seen[i]),
            doses=doses,
            doser=(Doser(0.0, float(dosed[i])),),
            factors=tuple(factors[i]),
            references=tuple(references[i]),
        )
        for i in range(n)
    ]
    return Played(np.array(levels), np.array(consumed), np.array(net), wander_sd, ratio, histories)


def priors_of(reef, **more):
    said = {
        "volume_u": 0.01 * reef.volume_percent,
        "doser_u": 0.01 * reef.dose_percent,
        "sample_part": reef.sample_l / VOLUME_L,
        "factor_u": 0.01 * reef.factor_percent,
        "electrode_wander_mv": 0.3 if reef.electrode_wander_mv is None else max(0.02, reef.electrode_wander_mv),
    }
    return Priors(**(said | more))
