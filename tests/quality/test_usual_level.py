"""Which level is expected after the last results: against tanks drawn apart, and one conditional by other means."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy.stats import multivariate_normal

from saltern.chemistry.endpoint.curve import Estimate
from saltern.quality import usual_level
from saltern.quality.history import CONFIRMED_FROM
from saltern.quality.usual_level import LEAST_RESULTS, MOST_RESULTS, expected_level
from tests.tank.reef import DKH_PER_UMOL_KG, GOOD_OWN_UMOL_KG, HOBBY_OWN_UMOL_KG, Reef, play

TANKS, DAYS, LEARNT_D = 6, 16, 4.0
OUTLIER_UMOL_KG = 0.3 / DKH_PER_UMOL_KG
WANDERING = Reef(TANKS, DAYS, wander=(0.03, 0.10), dosed_over_consumed=(0.9, 1.1))


def series(own_umol_kg, seed):
    """Return times and results of tanks that swing by day and night and wander."""
    for history in play(replace(WANDERING, own_umol_kg=own_umol_kg), seed).histories:
        yield (
            [each.at_d for each in history.seen],
            [Estimate(each.dkh / DKH_PER_UMOL_KG, own_umol_kg) for each in history.seen],
        )


def surprises(own_umol_kg, seed, off_umol_kg=0.0):
    """Return how far each result after the first days is from what was expected, in standard deviations."""
    found = []
    for at_d, results in series(own_umol_kg, seed):
        for n in range(len(results)):
            if at_d[n] < LEARNT_D:
                continue
            expected = expected_level(at_d[:n], results[:n], at_d[n])
            found.append((results[n].value + off_umol_kg - expected.value) / np.hypot(expected.u, own_umol_kg))
    return np.array(found)


@pytest.mark.parametrize("own_umol_kg", [GOOD_OWN_UMOL_KG, HOBBY_OWN_UMOL_KG])
def test_a_sound_tank_is_as_far_from_what_is_expected_as_is_stated(own_umol_kg):
    found = surprises(own_umol_kg, 3)

    assert 0.85 < found.std() < 1.15
    assert np.mean(np.abs(found) > CONFIRMED_FROM) < 0.11  # 5.7 % of normal values; 3456 results gave 6.9 %


@pytest.mark.parametrize("own_umol_kg", [GOOD_OWN_UMOL_KG, HOBBY_OWN_UMOL_KG])
def test_a_result_that_is_off_alone_by_a_third_of_a_degree_hardly_ever_passes(own_umol_kg):
    found = surprises(own_umol_kg, 4, OUTLIER_UMOL_KG)

    assert np.mean(np.abs(found) <= CONFIRMED_FROM) < 0.01


def test_after_a_step_the_new_level_is_expected_at_once():
    """A dose by hand, or a water change: what came before says how a day goes, and no longer where the tank is."""
    at_d = [n / 6.0 for n in range(31)]
    results = [Estimate(2400.0 + (150.0 if day > 4.9 else 0.0), 4.0) for day in at_d]

    expected = expected_level(at_d, results, at_d[-1] + 1.0 / 6.0)

    assert expected.value == pytest.approx(2550.0, abs=6.0)
    assert expected.u < 12.0


def test_after_four_results_nothing_is_expected():
    assert expected_level([0.0, 0.2, 0.4, 0.6][: LEAST_RESULTS - 1], [Estimate(2400.0, 4.0)] * 4, 0.8) is None


def test_the_expectation_is_the_conditional_of_the_joint_normal(monkeypatch):
    """With one swing and one wander: mean and variance by the partitioned inverse of the whole covariance."""
    monkeypatch.setattr(usual_level, "SWINGS_UMOL_KG", (14.0,))
    monkeypatch.setattr(usual_level, "WANDERS_UMOL_KG", (9.0,))
    random = np.random.default_rng(5)
    at_d = np.sort(random.uniform(0.0, 5.0, 12))
    values = 2450.0 + random.normal(0.0, 10.0, 12)

    def covariance(a, b):
        since = min(5.2 - a, 5.2 - b)
        trend = 175.0**2 * (5.2 - a) * (5.2 - b)
        return 1000.0**2 + trend + 14.0**2 * np.exp(-2.0 * np.sin(np.pi * (a - b)) ** 2) + 9.0**2 * since

    every = np.array([*at_d, 5.2])
    whole = np.array([[covariance(a, b) for b in every] for a in every]) + np.diag([16.0] * 12 + [0.0])
    precision = np.linalg.inv(whole)
    variance = 1.0 / precision[-1, -1]
    mean = values.mean() - variance * precision[-1, :-1] @ (values - values.mean())

    found = expected_level(list(at_d), [Estimate(value, 4.0) for value in values], 5.2)

    assert found.value == pytest.approx(mean, abs=1e-3)
    assert found.u == pytest.approx(variance**0.5, rel=1e-4)


def test_what_fits_better_weighs_by_its_likelihood(monkeypatch):
    """Two wanders, weighed as scipy's density of the same joint normal weighs them."""
    random = np.random.default_rng(6)
    at_d = np.arange(20) / 6.0
    values = 2450.0 + np.cumsum(random.normal(0.0, 8.0, 20))
    results, now_d = [Estimate(value, 4.0) for value in values], 20 / 6.0
    monkeypatch.setattr(usual_level, "SWINGS_UMOL_KG", (5.0,))
    alone = {}
    for wander in (3.5, 21.0):
        monkeypatch.setattr(usual_level, "WANDERS_UMOL_KG", (wander,))
        alone[wander] = expected_level(list(at_d), results, now_d).value
    monkeypatch.setattr(usual_level, "WANDERS_UMOL_KG", (3.5, 21.0))
    ago = now_d - at_d
    day = 5.0**2 * np.exp(-2.0 * np.sin(np.pi * (ago[:, None] - ago)) ** 2)
    known = 1000.0**2 + 175.0**2 * np.outer(ago, ago) + day + 16.0 * np.eye(20)
    density = {
        wander: multivariate_normal(np.zeros(20), known + wander**2 * np.minimum(ago[:, None], ago)).logpdf(
            values - values.mean()
        )
        for wander in alone
    }
    share = 1.0 / (1.0 + np.exp(density[3.5] - density[21.0]))

    together = expected_level(list(at_d), results, now_d).value

    assert together == pytest.approx(share * alone[21.0] + (1.0 - share) * alone[3.5], abs=1e-3)


@given(
    st.lists(
        st.tuples(st.floats(0.0, 30.0), st.floats(500.0, 6000.0), st.floats(0.0, 100.0)),
        min_size=LEAST_RESULTS,
        max_size=MOST_RESULTS + 5,
    ),
    st.floats(-10.0, 2000.0),
)
@example([(1.0, 2400.0, 0.0)] * LEAST_RESULTS, 0.0)
def test_after_any_past_a_number_with_an_uncertainty_is_expected(rows, later_d):
    """Also where the clock was set back between results, or before this one, and where a result claims no u at all."""
    found = expected_level(
        [at for at, _, _ in rows], [Estimate(value, u) for _, value, u in rows], rows[-1][0] + later_d
    )

    assert np.isfinite(found.value)
    assert np.isfinite(found.u)
    assert found.u >= 0.0
