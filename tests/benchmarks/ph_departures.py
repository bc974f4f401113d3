"""The sample's pH against worlds that depart from what is assumed: one departure at a time, and all at once.

Curves are made by solving the proton balance forward, with the departure in the truth: an electrode that is bent, a
potential that moves with the stirrer, three times the borate, a vessel that loses CO2 at 1/min, another pK1. The
service's evaluation and its budget see none of it. Sizes are those of the issue that asked for the budget; that an
electrode is bent by 1 mV and a stirrer shifts it by 2 mV is assumed there, too.

    python -m tests.benchmarks.ph_departures [waters]
"""

import sys
from dataclasses import dataclass, replace

import numpy as np

from saltern.chemistry.electrode import nernst_mv
from saltern.chemistry.endpoint.curve import Conditions, Curve, Estimate, Priors
from saltern.chemistry.endpoint.least_squares import least_squares
from saltern.chemistry.endpoint.ph_budget import after_tris, ph_budget
from saltern.chemistry.endpoint.sample_ph import initial_ph_total
from saltern.chemistry.equilibria import constants, total_over_free
from saltern.chemistry.seawater import totals
from saltern.chemistry.titration import alkalinity_without_carbon, bicarbonate_share, carbon_dioxide_share, solve_h
from saltern.errors import CurveError
from tests.benchmarks.made_curves import AIR_UATM, CLASSES

TARGETS_PH_FREE = (7.88, 7.66, 7.16, 6.67, 6.31, 6.2, 5.43, 5.15, 4.56, 3.6)
READING_EVERY_S, STEPS = 25.0, 5
WATERS = 60


@dataclass(frozen=True)
class World:
    """What is true and not assumed."""

    curvature_mv: float = 0.0  # at pH 8, against a line through pH 4 and 7
    stirring_mv: float = 0.0  # while it titrates, against when the sample is read
    borate_ratio: float = 1.0
    loss_per_min: float = 0.03
    pk1: float = 0.0  # added


DEPARTURES = {
    "none": World(),
    "curvature +1 mV": World(curvature_mv=1.0),
    "curvature -1 mV": World(curvature_mv=-1.0),
    "stirring +2 mV": World(stirring_mv=2.0),
    "stirring -2 mV": World(stirring_mv=-2.0),
    "borate x3": World(borate_ratio=3.0),
    "CO2 loss 1/min": World(loss_per_min=1.0),
    "pK1 +0.02": World(pk1=0.02),
    "pK1 -0.02": World(pk1=-0.02),
}


def titrate(random, instruments, world):
    """Make one titration; return curve, conditions, priors, and the true pH of the sample on the total scale."""
    salinity, t_c, alkalinity = random.uniform(33, 37), random.uniform(22, 27), random.uniform(2300, 2700) * 1e-6
    k, water = constants(salinity, t_c), totals(salinity, borate_ratio=world.borate_ratio)
    k, z = replace(k, k1=k.k1 * 10.0**-world.pk1), float(total_over_free(salinity, t_c))
    ph_total = random.uniform(7.8, 8.3)
    h0 = 10.0**-ph_total / z
    c = float((alkalinity - alkalinity_without_carbon(h0, k, water)) / bicarbonate_share(h0, k))
    sample_g, strength = 102.0, 0.05 / 1.0245
    acid = [0.0]
    for ph in TARGETS_PH_FREE:
        held = alkalinity_without_carbon(10.0**-ph, k, water) + 0.95 * c * bicarbonate_share(10.0**-ph, k)
        acid.append(max(acid[-1] + 1e-5, float(alkalinity - held) * (1.0 + random.normal(0.0, 0.003))))
    stated_g = np.array(acid) * sample_g / strength
    doses = np.diff(stated_g, prepend=0.0)
    dose_sd = instruments.walk_ml * np.sqrt(doses)
    given = np.cumsum(doses + random.normal(0.0, 1.0, len(doses)) * dose_sd) * strength / sample_g
    hydrogen, air = [h0], float(k.k0) * AIR_UATM * 1e-6
    for a in given[1:]:
        d = sample_g / (sample_g + a * sample_g / strength)
        h = float(solve_h((alkalinity - a) * d, c, k, water, d))
        for _ in range(STEPS):
            gas = float(carbon_dioxide_share(h, k))
            fading = np.exp(-world.loss_per_min / 60.0 * gas * READING_EVERY_S / STEPS)
            c = air / gas + (c - air / gas) * fading
            h = float(solve_h((alkalinity - a) * d, c, k, water, d))
        hydrogen.append(h)
    h, nernst = np.array(hydrogen), float(nernst_mv(np.array([t_c]))[0])
    ph = -np.log10(h * z)
    slope, e4 = 1.0 + random.normal(0.0, instruments.slope), 150.0 + random.normal(0.0, instruments.offset_mv)
    emf = e4 + slope * nernst * np.log(h / 1e-4) + world.curvature_mv * (ph - 4.0) * (ph - 7.0) / 4.0
    emf += np.where(stated_g > 0.0, world.stirring_mv, 0.0) + random.normal(0.0, instruments.noise_mv, len(h))
    n = len(h)
    sd = np.full(n, instruments.noise_mv)
    curve = Curve(stated_g, emf, np.full(n, t_c), READING_EVERY_S * np.arange(n), sd, dose_sd)
    conditions = Conditions(sample_g, salinity, strength, salinity, borate_ratio=Estimate(1.0, 0.3))
    prior_slope = Estimate(1.0, instruments.slope)
    e0 = 150.0 - nernst * np.log(1e-4 * z)
    priors = Priors(Estimate(float(e0), instruments.offset_mv + 5.0), prior_slope, instruments.noise_mv)
    return curve, conditions, priors, ph_total


def evaluate(curve, conditions, priors, temperature_u_k=0.2):
    """Return the pH with its uncertainty by the budget, that of its curve alone, and whether the curve is flagged."""
    electrode = least_squares(curve, conditions, priors)
    fitted = initial_ph_total(curve, electrode, conditions)
    budget = ph_budget(curve, electrode, conditions, priors, temperature_u_k=temperature_u_k)
    u = float(np.hypot(fitted.u, np.sqrt(sum(v * v for v in budget.values()))))
    return fitted.value, u, fitted.u, bool(electrode.flags)


def errors_of(instruments, worlds, waters, seed=1):
    """Return (error, u) of each water that is not flagged, and how many are."""
    random, found, flagged = np.random.default_rng(seed), [], 0
    for _ in range(waters):
        made = titrate(random, CLASSES[instruments], worlds(random) if callable(worlds) else worlds)
        try:
            value, u, _, is_flagged = evaluate(*made[:3])
        except CurveError:
            flagged += 1
            continue
        flagged += is_flagged
        if not is_flagged:
            found.append((value - made[3], u))
    return np.array(found).reshape(-1, 2), flagged


def any_world(part):
    """Return a draw of all departures at once: normal, with so large a part of each stated size for 1 sd."""

    def drawn(random):
        return World(
            curvature_mv=random.normal(0.0, part * 1.0),
            stirring_mv=random.normal(0.0, part * 2.0),
            borate_ratio=float(np.exp(random.normal(0.1, part * 0.7))),
            loss_per_min=float(np.exp(random.normal(np.log(0.03), part * 2.0))),
            pk1=random.normal(0.0, part * 0.02),
        )

    return drawn


def main(waters=WATERS):
    """Print the table."""
    print(f"{'':32}{'error of pH':>14}{'sd':>9}{'stated u':>10}{'in 2 u':>9}{'flagged':>9}")
    for instruments in CLASSES:
        rows = {**DEPARTURES, "all, half of each as 1 sd": any_world(0.5), "all, each as 1 sd": any_world(1.0)}
        for name, world in rows.items():
            found, flagged = errors_of(instruments, world, waters if name in DEPARTURES else 5 * waters)
            if not len(found):
                print(f"{instruments:7}{name:25}{'none stated':>14}{'':28}{flagged:9}")
                continue
            error, u = found.T
            print(
                f"{instruments:7}{name:25}{error.mean():+14.3f}{error.std():9.3f}{u.mean():10.3f}"
                f"{100.0 * np.mean(np.abs(error) <= 2.0 * u):8.1f}%{flagged:9}",
                flush=True,
            )
    print(f"\nAfter tris to 0.01: {np.sqrt(sum(v * v for v in after_tris(0.01).values())):.3f} and the curve's own")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
