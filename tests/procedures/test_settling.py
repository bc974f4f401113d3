"""The signal decides when an electrode has settled, and its own lag sets the bounds."""

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from saltern.procedures.settling import MOST_LAGS, Lag, time_constant_s, wait_until_settled


class Electrode:
    """A first-order electrode that starts `step_mv` away from where it is going."""

    def __init__(self, step_mv, lag_s, noise_mv, drift_mv_s=0.0, seed=0):
        self.time_s, self.step_mv, self.lag_s, self.noise_mv = 0.0, step_mv, lag_s, noise_mv
        self.drift_mv_s, self.random = drift_mv_s, np.random.default_rng(seed)

    def read(self):
        self.time_s += 0.3
        signal = 100.0 + self.step_mv * np.exp(-self.time_s / self.lag_s) + self.drift_mv_s * self.time_s
        return signal + self.random.normal(0.0, self.noise_mv), self.time_s

    def wait_until(self, until_s):
        self.time_s = max(self.time_s, until_s)

    def settle(self):
        return wait_until_settled(
            self.read, lambda: self.time_s, self.wait_until, lag=Lag(self.lag_s), noise_mv=self.noise_mv
        )


@settings(deadline=None, max_examples=60)
@given(st.floats(-120.0, 120.0), st.floats(1.0, 15.0), st.integers(0, 1000))
@example(0.0, 1.0, 490)  # was called unsettled: twelve of its lags left six readings to tell noise from a slope
def test_what_is_left_of_a_step_is_smaller_than_a_millivolt_where_it_says_settled(step_mv, lag_s, seed):
    plateau = Electrode(step_mv, lag_s, noise_mv=0.1, seed=seed).settle()

    assert plateau.settled
    assert abs(plateau.emf_mv - 100.0) < 1.0


def test_the_stated_uncertainty_of_a_plateau_is_true_though_the_lag_is_a_fifth_off():
    """600 steps, reduced squares between 0.8 and 1.25 (chi-square of 600, 99.9 %: 0.83 to 1.19)."""
    random = np.random.default_rng(3)
    scores = []
    for seed in range(600):
        electrode = Electrode(random.uniform(-100.0, 100.0), 5.0, noise_mv=0.1, seed=seed)
        stated = Lag(5.0 * np.exp(random.normal(0.0, 0.2)), 0.2)
        plateau = wait_until_settled(
            electrode.read, lambda e=electrode: e.time_s, electrode.wait_until, lag=stated, noise_mv=0.1
        )
        assert plateau.settled
        scores.append((plateau.emf_mv - 100.0) / plateau.sd_mv)

    assert 0.8 < np.mean(np.square(scores)) < 1.25


def test_a_large_step_teaches_the_lag():
    plateau = wait_until_settled(
        (electrode := Electrode(80.0, 6.0, noise_mv=0.1)).read,
        lambda: electrode.time_s,
        electrode.wait_until,
        lag=Lag(5.0, 0.2),
        noise_mv=0.1,
    )

    assert abs(plateau.lag.lag_s - 6.0) < 0.3
    assert plateau.lag.within < 0.05


def test_extrapolating_is_sooner_than_waiting_for_the_remainder_to_vanish():
    electrode = Electrode(60.0, 6.0, noise_mv=0.1)
    electrode.settle()

    assert electrode.time_s < 6.0 * np.log(60.0 / (0.2 * 0.1))


def test_a_drifting_signal_is_read_within_its_bound_and_called_unsettled():
    electrode = Electrode(0.0, 3.0, noise_mv=0.05, drift_mv_s=0.5)
    plateau = electrode.settle()

    assert not plateau.settled
    assert electrode.time_s < (MOST_LAGS + 2) * 3.0 + 10


def test_noise_larger_than_believed_shows_in_the_plateau():
    electrode = Electrode(0.0, 6.0, noise_mv=1.5)
    electrode_believed_quiet = wait_until_settled(
        electrode.read, lambda: electrode.time_s, electrode.wait_until, lag=Lag(6.0), noise_mv=0.1
    )

    assert electrode_believed_quiet.sd_mv > 0.2
    assert electrode_believed_quiet.scatter_mv > 0.7


@given(lag_s=st.floats(1.5, 60.0), step_mv=st.sampled_from([-177.0, 60.0, 177.0]), seed=st.integers(0, 1000))
@settings(max_examples=60, deadline=None)
def test_how_fast_a_signal_runs_is_seen_without_knowing_anything_of_it(lag_s, step_mv, seed):
    random = np.random.default_rng(seed)
    t = np.arange(0.0, 60.0 + 7.0 * lag_s, 2.0) + 100.0
    signal = 12.0 + step_mv * np.exp(-(t - t[0]) / lag_s) + random.normal(0.0, 0.1, len(t))
    assert time_constant_s(t, signal) == pytest.approx(lag_s, rel=0.05)


def test_a_signal_that_had_come_to_rest_says_nothing_of_how_fast_it_was():
    random = np.random.default_rng(1)
    t = np.arange(0.0, 60.0, 2.0)
    assert time_constant_s(t, 12.0 + random.normal(0.0, 0.1, len(t))) is None
    assert time_constant_s(t, 12.0 + 0.01 * t + random.normal(0.0, 0.1, len(t))) is None


def test_hands_that_answer_late_leave_enough_to_see():
    """Three time constants after it was put into the buffer, 5 % of the way is left."""
    random = np.random.default_rng(2)
    t = np.arange(0.0, 200.0, 2.0)
    late = 12.0 + 177.0 * np.exp(-(t / 12.0 + 3.0)) + random.normal(0.0, 0.1, len(t))
    assert time_constant_s(t, late) == pytest.approx(12.0, rel=0.15)
