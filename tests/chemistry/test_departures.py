"""An electrode that is not straight: what a curve then says, and what its uncertainty covers."""

from dataclasses import replace

import numpy as np
import pytest

from saltern.chemistry.electrode import nernst_slope_mv
from saltern.chemistry.endpoint.curve import Estimate, Priors
from saltern.chemistry.endpoint.departures import ANY_BEND_MV
from saltern.chemistry.endpoint.least_squares import least_squares
from tests.benchmarks.made_curves import GOOD, any_water, make
from tests.published.foreign_curves import E0_MV, cases, pyco2sys_curves

PLAN = (6.6, 6.2, 6.0, 5.8, 5.0, 4.4, 4.2, 3.8, 3.5)
QUIET = replace(GOOD, noise_mv=0.06, lag_s=0.5)


def titrations(n, seed, instruments=QUIET):
    """Return n questions with their truths, and for each reading the pH by which a bend is drawn."""
    random = np.random.default_rng(seed)
    made = make(random, any_water(random, n, 0.05, alkalinity=(2000.0, 3000.0)), instruments, PLAN)
    questions = zip(made.curves, made.conditions, made.priors, strict=True)
    return random, list(zip(questions, made.truth_umol_kg, strict=True))


def bent(curve, mv, e4_mv=150.0, mv_per_ph=58.5):
    """Return the curve as an electrode shows it that is off by `mv` at pH 8 from its line through pH 4 and 7."""
    ph = 4.0 - (curve.emf_mv - e4_mv) / mv_per_ph
    return replace(curve, emf_mv=curve.emf_mv + mv * (ph - 4.0) * (ph - 7.0) / 4.0)


def allowing(priors, known=ANY_BEND_MV):
    return replace(priors, bend_mv=known)


def test_a_curve_that_fits_without_a_bend_is_not_given_one():
    _, asked = titrations(60, 1)

    found = [least_squares(curve, conditions, allowing(priors)) for (curve, conditions, priors), _ in asked]

    assert sum(one.bend_mv is not None for one in found) <= 2  # 1 in 250 by chance


def test_a_bend_of_which_nothing_is_known_is_not_allowed_for():
    """A wrong salinity looks like a bend; only a reference shows which it is."""
    _, asked = titrations(40, 6)
    found = [least_squares(bent(curve, 3.0), conditions, priors) for (curve, conditions, priors), _ in asked]

    assert sum("poor-fit" in one.flags for one in found) >= 10
    assert all(one.bend_mv is None for one in found)


def test_a_bend_that_is_known_is_taken_out():
    """40 curves bent by 3 mV, known to 0.3 mV: none is flagged, and they are as right as straight ones."""
    _, asked = titrations(40, 6)
    known = Estimate(3.0, 0.3)
    errors = []
    for (curve, conditions, priors), truth in asked:
        found = least_squares(bent(curve, 3.0), conditions, allowing(priors, known))
        straight = least_squares(curve, conditions, priors)
        assert found.flags == ()
        if found.bend_mv is not None:
            errors.append((found.alkalinity_umol_kg - truth, straight.alkalinity_umol_kg - truth))
    bent_rms, straight_rms = np.sqrt(np.mean(np.square(errors), axis=0))

    assert len(errors) >= 20
    assert bent_rms < 1.5 * straight_rms


@pytest.mark.slow
@pytest.mark.parametrize("spread_mv", [0.5, 1.0, 2.0])
def test_the_uncertainty_covers_electrodes_bent_by_up_to_twice_what_is_allowed_for(spread_mv):
    """60 curves: within 2 u at least 52 (binomial of 0.95, 99.9 %); a flag in at most 6."""
    random, asked = titrations(60, 4)
    found = [
        (least_squares(bent(curve, random.normal(0.0, spread_mv)), conditions, allowing(priors)), truth)
        for (curve, conditions, priors), truth in asked
    ]
    within = [abs(f.alkalinity_umol_kg - truth) < 2.0 * f.u_umol_kg for f, truth in found]

    assert sum(within) >= 52
    assert sum(bool(f.flags) for f, _ in found) <= 6


def test_a_strong_bend_is_found_and_stated():
    _, asked = titrations(40, 6, replace(QUIET, noise_mv=0.03, walk_ml=0.0))
    found = [least_squares(bent(curve, 2.0), conditions, allowing(priors)) for (curve, conditions, priors), _ in asked]
    bends = [f.bend_mv for f in found if f.bend_mv is not None]

    assert len(bends) >= 20
    assert np.mean([bend.value for bend in bends]) == pytest.approx(2.0, abs=0.7)
    assert all(0.0 < bend.u < 1.0 for bend in bends)


@pytest.mark.slow
@pytest.mark.parametrize("mv", [-2.0, -1.0, 1.0, 2.0])
def test_a_bent_electrode_costs_curves_of_pyco2sys_at_most_three_umol_kg(mv):
    """Closed curves at a noise of 0.06 mV: none is flagged, and none is off by more than 3 umol/kg."""
    pytest.importorskip("PyCO2SYS", reason="PyCO2SYS is not installed")
    asked = [case for case in cases("PyCO2SYS") if case.co2 == "closed"]
    for case, curve in zip(asked, pyco2sys_curves(asked), strict=True):
        n = len(curve.emf_mv)
        straight = replace(curve, time_s=30.0 * np.arange(n), emf_sd_mv=np.full(n, 0.06))
        mv_per_ph = float(nernst_slope_mv(case.temperature_c))
        shown = bent(straight, mv, E0_MV - 4.0 * mv_per_ph, mv_per_ph)
        found = least_squares(shown, case.conditions(), allowing(Priors(Estimate(E0_MV, 2.0), Estimate(1.0, 0.005))))

        assert found.flags == ()
        assert found.alkalinity_umol_kg == pytest.approx(case.alkalinity_umol_kg, abs=3.0)
