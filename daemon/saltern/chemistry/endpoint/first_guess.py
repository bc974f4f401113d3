"""Where the default method starts: a scan over the electrode's offset, with the rest solved outright."""

import numpy as np

from saltern.chemistry.electrode import nernst_mv
from saltern.chemistry.endpoint.curve import Conditions, Curve, Priors
from saltern.chemistry.endpoint.reading_model import PIVOT_H, Medium, without_carbon
from saltern.errors import CurveError

WINDOW_PH_FREE = (2.7, 6.9)
"""Readings used, by free pH: above, the carbonate buffer hides the end point; below, a millivolt costs too much."""

KNOWN_WITHIN_MV = 60.0
CARBON_SHARE, CARBON_SD = 0.6, 0.7e-3  # of the alkalinity; mol/kg: a weak hold for curves that do not determine it
ROUGHLY = 0.1  # of the acid given
NOISE_MV, DOSE_SD = 1.0, 2e-6  # only weights of the scan


def first_guess(
    curve: Curve, conditions: Conditions, priors: Priors, medium: Medium, free_offset: float
) -> tuple[float, float, float]:
    """Return alkalinity (mol/kg), potential at free pH 4 (mV) and carbon (mol/kg) to start from.

    Every offset that may be is tried: for each, alkalinity and carbon are linear and solved outright. The scan is
    the same whether the electrode is known or not, so no start can be far from the answer.

    Parameters
    ----------
    curve, conditions, priors
        As for an evaluation.
    medium
        At the readings, arrays of shape (n,).
    free_offset
        [H]total / [H]free in the undiluted sample.

    Raises
    ------
    CurveError
        No offset puts three readings below pH 6.9 and one below pH 5.
    """
    slope, nernst = priors.slope.value, nernst_mv(curve.temperature_c)
    acid = curve.titrant_g * conditions.titrant_mol_per_kg / conditions.sample_g
    d = conditions.sample_g / (conditions.sample_g + curve.titrant_g)
    unlikely = np.zeros(1)
    if priors.e0_mv is not None and priors.e0_mv.u < KNOWN_WITHIN_MV:
        expected = priors.e0_mv.value + slope * nernst[0] * np.log(PIVOT_H * free_offset)
        steps = np.linspace(-4.0, 4.0, 25)
        candidates, unlikely = expected + steps * max(priors.e0_mv.u, 2.0), steps**2
    else:
        candidates = np.arange(curve.emf_mv.min() - 60.0, curve.emf_mv.max() + 60.0, 5.0)
    # one row a candidate: shape (m, n); readings outside the window weigh nothing
    h = PIVOT_H * np.exp(np.clip((curve.emf_mv - candidates[:, None]) / (slope * nernst), -40.0, 20.0))
    inside = (h > 10.0 ** -WINDOW_PH_FREE[1]) & (h < 10.0 ** -WINDOW_PH_FREE[0])
    bare, bare_slope = without_carbon(h, medium, d)
    bare = bare + acid
    first, second = medium.k1 / h, medium.k1k2 / (h * h)
    share = (first + 2.0 * second) / (1.0 + first + second)
    dy_dlnh = bare_slope + 2.0 * CARBON_SD * share * (share - 1.0)
    weight = 1.0 / ((NOISE_MV * dy_dlnh / (slope * nernst)) ** 2 + DOSE_SD**2)
    # what comes before the window need only be roughly right: it sets a true offset apart from 100 mV more
    roughly = (h <= 10.0 ** -WINDOW_PH_FREE[1]) & (h > 1e-11)
    w = np.where(inside, weight, roughly / (ROUGHLY * max(float(acid[-1]), 1e-6)) ** 2)
    hold = 1.0 / CARBON_SD**2
    s_aa = w.sum(1) + CARBON_SHARE**2 * hold
    s_ac = -(w * share).sum(1) - CARBON_SHARE * hold
    s_cc = (w * share**2).sum(1) + hold
    b_a, b_c = (w * bare).sum(1), -(w * share * bare).sum(1)
    determinant = np.maximum(s_aa * s_cc - s_ac**2, 1e-9)  # no reading inside: refused below
    a_t, carbon = (b_a * s_cc - s_ac * b_c) / determinant, (s_aa * b_c - s_ac * b_a) / determinant
    misfit = (w * (bare + carbon[:, None] * share - a_t[:, None]) ** 2).sum(1)
    misfit = misfit + hold * (carbon - CARBON_SHARE * a_t) ** 2
    count = inside.sum(1)
    cost = (misfit + unlikely) / np.maximum(count, 1)
    impossible = (bare < -0.5 * h).any(1)  # more free acid than was ever given
    cost[impossible | (count < 3) | ((h * inside).max(1) < 1e-5) | (a_t <= 0.0) | (a_t > 0.05)] = np.inf
    best = int(np.argmin(cost))
    if not np.isfinite(cost[best]):
        raise CurveError(
            "the curve does not reach its end point: no offset of the electrode puts three readings below pH 6.9 and "
            "one below pH 5",
            where="least-squares",
            remedy="Titrate further, or check the columns' units and the titrant's strength",
        )
    return float(a_t[best]), float(candidates[best]), max(float(carbon[best]), 1e-5)
