"""A bench that scatters more than it states is as uncertain as it is seen to be; a sound one loses next to nothing."""

from datetime import UTC, datetime, timedelta
from math import hypot

import numpy as np
import pytest

from saltern.chemistry.quantities import Estimate
from saltern.quality.history import MOST_RESULTS, History
from saltern.quality.observed_scatter import LEAST_RESULTS, beyond_stated

OWN, SHARED = 3.3, 2.0


def tank(random, hours):
    """Return a tank with a day, a trend, and in the middle a water change or none."""
    wave = random.uniform(0.0, 25.0) * np.sin(2.0 * np.pi * hours / 24.0 + random.uniform(0.0, 6.3))
    trend, change = random.normal(0.0, 10.0) * hours / 24.0, random.choice([0.0, 100.0]) * (hours > hours[25])
    return 2450.0 + wave + trend + change


def history(hours, values):
    begun = datetime(2026, 1, 1, tzinfo=UTC)
    return History(
        tuple(begun + timedelta(hours=hour) for hour in hours),
        tuple(Estimate(value, OWN) for value in values),
        (),
        (),
        (),
    )


def drawn(worse, every_h=4.0, benches=30, results=40):
    """Return the share of results within two stated u, without and with what is seen, and the mean of their ratio."""
    random, within, seen, ratios = np.random.default_rng(3), [], [], []
    for _ in range(benches):
        hours = every_h * np.arange(results)
        truth = tank(random, hours)
        values = truth + random.normal(0.0, SHARED) + random.normal(0.0, worse * OWN, results)
        for k in range(MOST_RESULTS, results):
            past = slice(k - MOST_RESULTS, k)
            stated = hypot(OWN, SHARED)
            u = hypot(stated, beyond_stated(history(hours[past], values[past]), OWN))
            within.append(abs(values[k] - truth[k]) <= 2.0 * stated)
            seen.append(abs(values[k] - truth[k]) <= 2.0 * u)
            ratios.append(u / stated)
    return np.mean(within), np.mean(seen), np.mean(ratios)


@pytest.mark.parametrize("every_h", [4.0, 24.0])
def test_a_bench_as_good_as_it_states_loses_next_to_nothing(every_h):
    _, seen, ratio = drawn(1.0, every_h)

    assert seen > 0.94
    assert ratio < 1.04


def test_a_bench_that_scatters_twice_as_much_states_it():
    within, seen, _ = drawn(2.0)

    assert within < 0.78
    assert seen > 0.87


def test_too_short_a_past_says_nothing():
    few = np.arange(LEAST_RESULTS - 1) * 4.0

    assert beyond_stated(history(few, 2450.0 + 50.0 * (few % 8.0)), OWN) == 0.0
