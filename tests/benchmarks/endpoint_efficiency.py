"""How near the default method comes to the Cramer-Rao bound, and whether its stated uncertainty is true.

Curves are made by an exact solve with CO2 lost between readings (integrated, not by the method's formula), doses whose
errors accumulate, and electrode noise; nothing else. The bound is that of the readings used: sd(A_T) =
sqrt((J' S^-1 J + P)^-1) at the true parameters, J by finite differences of this file's own forward model, S the true
covariance and P the priors, so it shares nothing with the method but the data and what is known beforehand.
"""

from dataclasses import dataclass

import numpy as np

from saltern.chemistry.electrode import nernst_mv
from saltern.chemistry.endpoint.curve import Conditions, Curve, Estimate, Priors
from saltern.chemistry.endpoint.least_squares import WINDOW_PH_FREE, least_squares
from saltern.chemistry.equilibria import constants, total_over_free
from saltern.chemistry.seawater import totals
from saltern.chemistry.titration import alkalinity_without_carbon, bicarbonate_share, carbon_dioxide_share, solve_h
from saltern.errors import CurveError

CLASSES = {"good": (0.1, 0.00112, 1.5, 0.004), "hobby": (0.3, 0.00447, 5.0, 0.01)}
"""Noise of a reading (mV), dose walk (mL per root mL), sd of offset (mV) and slope: assumptions, as for the twin."""
LOSSES_PER_MIN = {"closed": 0.0, "slow": 0.02, "usual": 0.05, "fast": 0.3}
RUNS = 120
TARGETS = (6.5, 6.0, 5.5, 5.2, 4.8, 4.5, 4.3, 4.0, 3.7, 3.4)
WAIT_S = 20.0


@dataclass
class Made:
    """A titration: what the bench knows, and its truth."""

    curve: Curve
    conditions: Conditions
    priors: Priors
    alkalinity: float
    bound: float


def forward(theta, acid, d, k, water, times, nernst):
    """Return the true signal at each reading for (A, e4, slope, carbon at the first reading used, loss per s)."""
    alkalinity, e4, slope, carbon, loss = theta
    signal = np.empty(len(acid))
    equilibrium = float(np.mean(np.asarray(k.k0))) * 450e-6
    c = carbon
    for i in range(len(acid)):
        h = float(solve_h((alkalinity - acid[i]) * d[i], c, _at(k, i), water, d[i]))
        if i:
            for _ in range(6):
                step = (times[i] - times[i - 1]) / 6
                share = float(carbon_dioxide_share(h, _at(k, i)))
                c += -loss * step * (share * c - equilibrium)
                h = float(solve_h((alkalinity - acid[i]) * d[i], c, _at(k, i), water, d[i]))
        signal[i] = e4 + slope * nernst * np.log(h / 1e-4)
    return signal


def _at(k, i):
    fields = {name: getattr(k, name) for name in type(k).__slots__}
    return type(k)(**{name: float(v[i]) if isinstance(v, np.ndarray) else v for name, v in fields.items()})


def make(random, klass, loss_per_min):
    """Draw conditions and titrate once."""
    noise, walk, offset_sd, slope_sd = CLASSES[klass]
    salinity, t = random.uniform(30, 38), random.uniform(20, 28)
    alkalinity, sample_g = np.exp(random.uniform(np.log(400), np.log(7000))) * 1e-6, random.uniform(50, 150)
    strength, in_water = random.choice([0.02, 0.05, 0.1]), random.random() < 0.5
    titrant_salinity = 0.0 if in_water else salinity
    water, z = totals(salinity), float(total_over_free(salinity, t))
    nernst = float(nernst_mv(np.array([t]))[0])
    k0 = constants(salinity, t)
    h0 = 10.0 ** -random.uniform(7.7, 8.4) / z
    carbon = (alkalinity - float(alkalinity_without_carbon(h0, k0, water))) / float(bicarbonate_share(h0, k0))
    carbon = max(carbon, 0.3 * alkalinity)
    acid = [0.0]
    for ph in TARGETS:  # near the targets, as a plan that knows the answer within 3 % would land
        h = 10.0**-ph
        reached = (
            alkalinity - float(alkalinity_without_carbon(h, k0, water)) - 0.9 * carbon * float(bicarbonate_share(h, k0))
        )
        acid.append(max(acid[-1] + 0.004 * alkalinity, reached * (1.0 + random.normal(0.0, 0.003))))
    believed_g = np.array(acid) * sample_g / strength
    doses = np.diff(believed_g, prepend=0.0)
    dose_sd = walk * np.sqrt(doses)
    true_g = np.cumsum(doses + random.normal(0.0, 1.0, len(doses)) * dose_sd)
    true_g[0] = 0.0
    times = WAIT_S * np.arange(len(acid))
    d = sample_g / (sample_g + true_g)
    mixture = salinity * d + titrant_salinity * (1.0 - d)
    k = constants(mixture, t)
    offset, slope = random.normal(0.0, offset_sd), 1.0 + random.normal(0.0, slope_sd)
    e4 = 150.0 + offset
    theta = np.array([alkalinity, e4, slope, carbon, loss_per_min / 60.0])
    signal = forward(theta, true_g * strength / sample_g, d, k, water, times, nernst)
    emf = signal + random.normal(0.0, noise, len(signal))
    e0_prior = 150.0 - nernst * np.log(1e-4 * z)
    conditions = Conditions(sample_g, salinity, strength, titrant_salinity)
    curve = Curve(believed_g, emf, np.full(len(emf), t), times, np.full(len(emf), noise), dose_sd)
    priors = Priors(Estimate(e0_prior, offset_sd), Estimate(1.0, slope_sd), noise)
    bound = cramer_rao(theta, believed_g, strength, sample_g, k, water, times, nernst, dose_sd, noise, klass)
    return Made(curve, conditions, priors, alkalinity * 1e6, bound)


def cramer_rao(theta, grams, strength, sample_g, k, water, times, nernst, dose_sd, noise, klass):
    """Return the bound on the standard deviation of the alkalinity, umol/kg, from the readings below pH 6.9."""
    d = sample_g / (sample_g + grams)
    acid = grams * strength / sample_g

    def signal(parameters, given=acid):
        return forward(parameters, given, d, k, water, times, nernst)

    base = signal(theta)
    h = 1e-4 * np.exp((base - theta[1]) / (theta[2] * nernst))
    used = (h > 10.0 ** -WINDOW_PH_FREE[1]) & (h < 10.0 ** -WINDOW_PH_FREE[0])
    steps = np.array([1e-7, 0.01, 1e-5, 1e-6, 1e-6])
    jacobian = np.column_stack([(signal(theta + np.eye(5)[i] * steps[i]) - base) / steps[i] for i in range(5)])[used]
    by_acid = (signal(theta, acid + 1e-7) - base) / 1e-7
    variance = np.cumsum((dose_sd * strength / sample_g) ** 2)
    covariance = np.minimum.outer(variance, variance) * np.outer(by_acid, by_acid) + noise**2 * np.eye(len(base))
    covariance = covariance[np.ix_(used, used)]
    _, _, offset_sd, slope_sd = CLASSES[klass]
    loss = max(theta[4], 0.005 / 60.0)
    prior = np.diag([0.0, offset_sd**-2.0, slope_sd**-2.0, (0.35 * theta[0]) ** -2.0, (np.log(3.3) * loss) ** -2.0])
    information = jacobian.T @ np.linalg.solve(covariance, jacobian) + prior
    return float(np.sqrt(np.linalg.inv(information)[0, 0]) * 1e6)


def main():
    """Print efficiency, bias and coverage by class and CO2 loss."""
    print(f"{RUNS} titrations each: S 30-38, 20-28 degC, 400-7000 umol/kg, 50-150 mL, 0.02-0.1 mol/L in water and NaCl")
    print("class  CO2 loss  bias    se   rms score  bound/rmse(scaled)  k=2 coverage  failures")
    for klass in CLASSES:
        for name, loss in LOSSES_PER_MIN.items():
            random = np.random.default_rng(20)
            errors, scores, normed, failures = [], [], [], 0
            for _ in range(RUNS):
                made = make(random, klass, loss)
                try:
                    found = least_squares(made.curve, made.conditions, made.priors)
                except CurveError:
                    failures += 1
                    continue
                errors.append(found.alkalinity_umol_kg - made.alkalinity)
                scores.append(errors[-1] / found.u_umol_kg)
                normed.append(errors[-1] / made.bound)
            coverage = np.mean(np.abs(scores) < 2.0)
            print(
                f"{klass:6s} {name:8s} {np.mean(errors):+5.2f}  {np.std(errors) / np.sqrt(len(errors)):4.2f}  "
                f"{np.sqrt(np.mean(np.square(scores))):9.3f}  {1 / np.sqrt(np.mean(np.square(normed))):18.3f}  "
                f"{100 * coverage:11.1f} %  {failures:8d}"
            )


if __name__ == "__main__":
    main()
