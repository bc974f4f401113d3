"""The titre factor is followed: by benches whose factor moves as no filter of ours assumes (tests/benchmarks)."""

from math import exp, hypot, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from saltern.quality.titre_filter import RATE_PRIOR, TitreState, aged, found_by, updated
from tests.benchmarks.titre_ramps import LevelAlone, LevelAndRate, play, score

BENCHES, WEEKS = 30, 40
RELATIVE = st.floats(1e-5, 0.02)


@pytest.mark.parametrize("instruments", ["hobby", "good"])
@pytest.mark.parametrize("percent_per_month", [0.0, 2.0])
def test_a_steady_drift_is_followed(instruments, percent_per_month):
    """All of it, over at least 400 benches a row: `make bench`."""
    found = score(LevelAndRate, instruments, "ramp", percent_per_month, BENCHES, WEEKS)

    assert abs(found["bias"][0]) < max(1.0, 2.0 * found["bias"][1])
    assert 93.0 < found["results"][0] < 98.0
    assert 93.0 < found["factors"][0] < 99.5
    assert found["early"][0] > 92.0


def test_the_table_can_fail():
    """A filter of the level alone stays behind the same ramp, and does not know it."""
    found = score(LevelAlone, "good", "ramp", 2.0, 10, WEEKS)

    assert abs(found["bias"][0]) > 5.0
    assert found["results"][0] < 70.0


def test_a_season_and_a_step_are_covered():
    for kind in ("season", "step"):
        assert score(LevelAndRate, "good", kind, 1.0, BENCHES, WEEKS)["results"][0] > 93.0


def test_a_logged_tube_opens_the_prior_and_one_that_is_not_logged_is_found():
    logged = score(LevelAndRate, "good", "tubes, logged", 2.0, BENCHES, WEEKS)
    found = score(LevelAndRate, "good", "tubes, not logged", 2.0, BENCHES, WEEKS)

    assert logged["results"][0] > 93.0
    assert found["results"][0] > 93.0
    assert found["noticed"][0] > 2.5  # three were changed


def test_a_run_of_small_surprises_on_one_side_opens_level_and_rate_again():
    state = TitreState(1.0, 0.002, 0.0, 0.0, 0.1 * RATE_PRIOR)
    ran = []
    for _ in range(4):
        state = aged(state, 7.0, 0.2)
        outcome = updated(state, TitreState(state.factor * (1.0 + 2.2 * hypot(state.u, 0.002)), 0.002, 0.0))
        state, ran = outcome.state, [*ran, outcome.ran]

    assert ran == [False, True, False, True]
    assert state.u_rate > 0.2 * RATE_PRIOR


def test_a_gap_is_honest():
    """After weekly standardisations come ten weeks without: the factor goes on at its rate, and is known as badly."""
    scores = []
    for seed in range(120):
        follower = LevelAndRate()
        play(follower, "good", "ramp", 2.0, seed, 16)
        start = exp(np.random.default_rng([seed, 1]).normal(0.0, 0.02))
        true = start * exp(0.02 * (7.0 * 15 + 70.0) / 30.0)
        factor, u = follower.known(7.0 * 15 + 70.0)
        scores.append((factor / true - 1.0) / u)

    assert np.mean(np.abs(scores) < 2.0) > 0.93
    assert np.std(scores) > 0.4  # and not by mere width


@given(RELATIVE, RELATIVE, st.floats(-1.0, 1.0), st.floats(0.0, 60.0), RELATIVE, st.floats(-2.0, 2.0))
def test_no_step_of_the_filter_makes_an_impossible_covariance(u, u_rate, correlation, days, u_found, off):
    state = TitreState(1.0, u, 0.0, 0.0, u_rate / 30.0, correlation * u * u_rate / 30.0)
    before = aged(state, days, 0.2)
    after = updated(before, TitreState(before.factor * exp(off * hypot(before.u, u_found)), u_found, 0.0)).state

    for one in (before, after):
        assert one.u > 0.0
        assert abs(one.covariance) <= one.u * one.u_rate * (1.0 + 1e-6)
    assert after.u <= max(before.u, hypot(before.u, 0.01)) + 1e-12


def test_a_factor_found_by_three_replicates_is_as_certain_as_their_mean():
    found = found_by([2180.0, 2200.0, 2220.0], 0.002, 2200.0, 1.5)

    assert found.factor == pytest.approx(1.0)
    assert found.u == pytest.approx(0.002 / sqrt(3.0))
    assert found.u_reference == pytest.approx(1.5 / 2200.0)
