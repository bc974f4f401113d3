"""The tank's trend."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from saltern.tank.trend import trend

START = datetime(2026, 3, 2, tzinfo=UTC)


def series(slope, n, scatter, seed, u=4.0):
    random = np.random.default_rng(seed)
    at = [START + timedelta(hours=4 * i) for i in range(n)]
    values = [2450.0 + slope * i / 6.0 + random.normal(0.0, scatter) for i in range(n)]
    return at, values, [u] * n


def test_three_results_are_no_trend():
    assert trend(*series(10.0, 3, 1.0, 1)) is None


def test_the_stated_uncertainty_of_a_trend_is_true_whether_scatter_is_as_stated_or_larger():
    for scatter in (4.0, 20.0):
        scores = []
        for seed in range(400):
            found = trend(*series(-30.0, 42, scatter, seed))
            scores.append((found.umol_kg_per_day + 30.0) / found.u_umol_kg_per_day)
        assert 0.75 < np.mean(np.square(scores)) < 1.25


def test_results_all_at_one_time_are_no_trend():
    assert trend([START] * 5, [1.0, 2.0, 3.0, 4.0, 5.0], [1.0] * 5) is None


def test_a_clean_line_is_found():
    assert trend(*series(24.0, 20, 0.0, 1)).umol_kg_per_day == pytest.approx(24.0)
