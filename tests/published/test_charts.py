"""Control charts against the worked examples of the NIST/SEMATECH e-Handbook of Statistical Methods, to its digits."""

import numpy as np
import pytest

from saltern.tank.charts import cusum, ewma, moving_range_sd, shewhart

EWMA_DATA = [
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
    49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
]  # fmt: skip
EWMA_LINE = [
    50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
    50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
]  # fmt: skip
CUSUM_DATA = [
    324.925, 324.675, 324.725, 324.35, 325.35, 325.225, 324.125, 324.525, 325.225, 324.6,
    324.625, 325.15, 328.325, 327.25, 327.825, 328.5, 326.675, 327.775, 326.875, 328.35,
]  # fmt: skip
CUSUM_HIGH = [0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.0, 19.04]
CUSUM_LOW = [0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, 0, 0, 0, 0, 0, 0, 0, 0, 0]


def test_ewma():
    """e-Handbook 6.3.2.4: lambda 0.3, EWMA0 50, s 2.0539; limits 47.4115 and 52.5884; in control."""
    chart = ewma(EWMA_DATA, 50.0, 2.0539, weight=0.3, width=3.0, steady=True)

    np.testing.assert_allclose(chart.line, EWMA_LINE, atol=0.005 + 1e-9)
    assert (chart.low[0], chart.high[0]) == pytest.approx((47.4115, 52.5884), abs=2e-4)
    assert chart.out == ()


def test_cusum():
    """e-Handbook 6.3.2.3: target 325, k 0.3175, h 4.1959; the first signal is group 14."""
    sums = cusum(CUSUM_DATA, 325.0, slack=0.3175, limit=4.1959)

    np.testing.assert_allclose(sums.above, CUSUM_HIGH, atol=0.006)
    np.testing.assert_allclose(sums.below, CUSUM_LOW, atol=0.006)
    assert sums.out[0] == 13


def test_individuals():
    """e-Handbook 6.3.2.2: mean 50.81, limits 45.8159 and 55.8041 from the moving range."""
    values = EWMA_DATA[10:]
    chart = shewhart(values, float(np.mean(values)), moving_range_sd(values))

    assert chart.centre == pytest.approx(50.81)
    assert (chart.low[0], chart.high[0]) == pytest.approx((45.8159, 55.8041), abs=1e-4)
    assert chart.out == ()
    assert shewhart([*values, 60.0], 50.81, 1.6647).out == (10,)


def run_length(chart_of, shift, seed, batches, batch):
    """Return how many values come before the first signal, on average."""
    random = np.random.default_rng(seed)
    lengths = []
    for _ in range(batches):
        out = chart_of(random.normal(shift, 1.0, batch)).out
        lengths.append(out[0] + 1 if out else batch)
    return np.mean(lengths)


def test_how_long_a_cusum_waits_for_a_shift_of_one_standard_deviation():
    """Montgomery, Introduction to Statistical Quality Control: 8.38 values at h 4, k 0.5."""
    mean = run_length(lambda x: cusum(x, 0.0, 0.5, 4.0), 1.0, 3, 3000, 80)
    assert mean == pytest.approx(8.38, abs=0.35)


def test_how_long_an_ewma_waits_for_a_shift_of_one_standard_deviation():
    """Lucas & Saccucci 1990: lambda 0.2, L 2.86, asymptotic limits: 9.80 values."""
    mean = run_length(lambda x: ewma(x, 0.0, 1.0, steady=True), 1.0, 4, 3000, 100)
    assert mean == pytest.approx(9.80, abs=0.4)


def test_limits_are_narrower_at_the_beginning():
    chart = ewma(EWMA_DATA, 50.0, 2.0)
    assert np.all(np.diff(chart.high) > 0)


def test_a_range_needs_two_values():
    with pytest.raises(ValueError, match="two values"):
        moving_range_sd([1.0])
