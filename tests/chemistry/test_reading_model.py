"""The equations behind the default method: derivatives, and the loss of CO2 between readings."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.optimize import least_squares as peer

from saltern.chemistry.endpoint.curve import Co2
from saltern.chemistry.endpoint.gauss_newton import Priors, solve
from saltern.chemistry.endpoint.reading_model import LOSS_SCALE_PER_S, Readings, evaluated, medium_of
from saltern.chemistry.equilibria import constants
from saltern.chemistry.seawater import totals
from saltern.chemistry.titration import carbon_dioxide_share

STEPS = np.array([1e-7, 1e-3, 1e-6, 1e-8, 1e-5])
AIR = 13e-6


def readings(co2=Co2.OPEN, n=9):
    water = replace(totals(35.0), phosphate=5e-6, silicate=20e-6)
    return Readings(
        acid=np.linspace(0.4, 1.3, n) * 2.4e-3,
        dilution=np.linspace(0.98, 0.95, n),
        emf_mv=np.linspace(10.0, 190.0, n),
        nernst_mv=np.full(n, 25.69),
        elapsed_s=np.array([0.0] + [20.0] * (n - 1)),
        medium=medium_of(constants(35.0, np.full(n, 25.0)), water),
        equilibrium_carbon=AIR,
        noise_mv=np.full(n, 0.1),
        dose_variance=np.linspace(1.0, 9.0, n) * 1e-13,
        co2=co2,
    )


@settings(deadline=None, max_examples=50)
@given(
    st.floats(1e-3, 6e-3),
    st.floats(100.0, 200.0),
    st.floats(0.9, 1.05),
    st.floats(1e-4, 5e-3),
    st.floats(-1.0, 7.0),
    st.sampled_from(list(Co2)),
)
def test_the_jacobian_is_that_of_finite_differences(alkalinity, e4, slope, carbon, loss_z, co2):
    p, theta = readings(co2), np.array([alkalinity, e4, slope, carbon, loss_z])
    jacobian = evaluated(p, theta).jacobian
    for i, step in enumerate(STEPS):
        up, down = (evaluated(p, theta + sign * np.eye(5)[i] * step).residual for sign in (1.0, -1.0))
        numeric = (up - down) / (2.0 * step)
        np.testing.assert_allclose(jacobian[:, i], numeric, rtol=2e-5, atol=1e-6 * np.max(np.abs(numeric)) + 1e-12)


@pytest.mark.parametrize("loss_per_min", [0.0, 0.05, 0.5, 5.0])
def test_carbon_between_readings_is_what_an_integrator_of_the_rate_law_finds(loss_per_min):
    p = readings()
    theta = np.array([2.4e-3, 150.0, 1.0, 2.0e-3, np.arcsinh(loss_per_min / 60.0 / LOSS_SCALE_PER_S)])
    h = 1e-4 * np.exp((p.emf_mv - 150.0) / 25.69)
    gas = np.asarray(carbon_dioxide_share(h, constants(35.0, 25.0)))
    carbon = [2.0e-3]
    for g, seconds in zip(gas[1:], p.elapsed_s[1:], strict=True):
        rate = loss_per_min / 60.0
        run = solve_ivp(
            lambda _, c, g=g, rate=rate: -rate * (g * c - AIR), (0.0, seconds), [carbon[-1]], rtol=1e-9, atol=1e-13
        )
        carbon.append(float(run.y[0, -1]))

    open_ = evaluated(p, theta).residual
    closed = evaluated(replace(p, co2=Co2.CLOSED), theta)
    share = closed.jacobian[:, 3]

    np.testing.assert_allclose(open_ - closed.residual, (np.array(carbon) - 2.0e-3) * share, atol=2e-10)


def noisy(seed):
    p, random = readings(), np.random.default_rng(seed)
    theta = np.array([2.4e-3, 150.0, 1.0, 2.0e-3, 1.0])
    acid = p.acid - evaluated(p, theta).residual + random.normal(0.0, 1e-6, len(p.acid))
    return replace(p, acid=acid), theta


PRIORS = Priors(
    np.array([0.0, 152.0, 1.0, 1.5e-3, 1.2]), np.array([0.0, 1 / 5.0, 1 / 0.01, 1 / 0.9e-3, 1 / 2.2]), np.ones(5)
)


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 500), st.floats(0.5, 2.0), st.floats(-40.0, 40.0), st.floats(0.85, 1.15), st.floats(-2.0, 6.0))
def test_the_iteration_finds_the_same_minimum_from_far_away_and_cannot_run_away(seed, factor, off_mv, slope, loss_z):
    p, theta = noisy(seed)
    near = solve(p, PRIORS, theta)
    far = solve(p, PRIORS, np.array([factor * theta[0], theta[1] + off_mv, slope, factor * theta[3], loss_z]))

    assert np.all(np.isfinite(far.theta))
    assert far.theta[0] * 1e6 == pytest.approx(near.theta[0] * 1e6, abs=0.02)


def test_scipy_finds_the_same_answer_to_a_thousandth_of_a_umol():
    for seed in range(20):
        p, theta = noisy(seed)
        ours = solve(p, PRIORS, theta)
        scale = np.array([1e-3, 1.0, 1e-2, 1e-3, 1.0])

        def residuals(x, p=p, w=ours.whitening, scale=scale):
            off = PRIORS.weight * (x * scale - PRIORS.mean)
            return np.concatenate([w @ evaluated(p, x * scale).residual, off])

        theirs = peer(residuals, theta / scale, xtol=1e-12, ftol=1e-12, gtol=1e-12)
        assert ours.theta[0] * 1e6 == pytest.approx(theirs.x[0] * 1e-3 * 1e6, abs=1e-3)
