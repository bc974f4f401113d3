"""What a result shares cancels in a change and stays in a mean; drawn errors judge what is computed."""

from math import hypot, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from saltern.model.parts import WALKS, Parts, u_of_change, u_of_mean, u_of_sum, unknown

SIZES = st.floats(0.0, 20.0)
NAMES = st.sampled_from(["titre factor 12", "titre factor 13", "cell 4", f"{WALKS}titre factor 12"])
PARTS = st.builds(Parts, SIZES, st.dictionaries(NAMES, SIZES, max_size=4))


def test_a_common_error_cancels_in_a_change_and_stays_in_a_mean():
    one, other = Parts(3.0, {"titre factor 12": 4.0}), Parts(3.0, {"titre factor 12": 4.0})

    assert one.u == 5.0
    assert u_of_change(one, other) == pytest.approx(3.0 * sqrt(2.0))
    assert u_of_mean([one, other]) == pytest.approx(hypot(3.0 / sqrt(2.0), 4.0))


def test_across_a_calibration_nothing_cancels():
    one, other = Parts(3.0, {"titre factor 12": 4.0}), Parts(3.0, {"titre factor 13": 4.0})

    assert u_of_change(one, other) == pytest.approx(hypot(5.0, 5.0))


def test_a_week_of_results_is_not_known_better_than_what_they_share():
    """The issue's own figure: by u / sqrt(n) the mean of a week would be 2.7 where 10 is true."""
    week = [Parts(14.3, {"titre factor 12": 9.7})] * 42

    assert u_of_mean(week) == pytest.approx(hypot(14.3 / sqrt(42.0), 9.7))
    assert u_of_mean(week) > 9.7


@given(PARTS, PARTS)
def test_no_change_is_known_better_than_its_own_parts_or_worse_than_if_nothing_were_shared(before, after):
    u = u_of_change(before, after)

    assert u >= hypot(before.u_own, after.u_own) - 1e-9
    assert u <= hypot(before.u, after.u) + 1e-9


@given(st.lists(PARTS, min_size=1, max_size=5), st.data())
def test_a_weighted_sum_is_as_uncertain_as_drawn_errors_make_it(parts, data):
    """The covariance written out: own on the diagonal; an epoch's outer product; of a walk, the smaller variance."""
    weights = data.draw(st.lists(st.floats(-2.0, 2.0), min_size=len(parts), max_size=len(parts)))
    covariance = np.diag([one.u_own**2 for one in parts])
    for name in {name for one in parts for name in one.epochs}:
        u = np.array([one.epochs.get(name, 0.0) for one in parts])
        covariance = covariance + (np.minimum.outer(u**2, u**2) if name.startswith(WALKS) else np.outer(u, u))

    true = float(np.array(weights) @ covariance @ np.array(weights))
    assert u_of_sum(parts, weights) ** 2 == pytest.approx(max(0.0, true), rel=1e-6, abs=1e-6)


def test_a_walk_is_shared_up_to_the_earlier_result():
    early, late = Parts(0.0, {f"{WALKS}titre factor 12": 3.0}), Parts(0.0, {f"{WALKS}titre factor 12": 5.0})

    assert u_of_change(early, late) == pytest.approx(4.0)


def test_results_from_before_the_parts_were_kept_cancel_nothing():
    assert u_of_change(unknown(5.0), unknown(5.0)) == pytest.approx(5.0 * sqrt(2.0))
    with pytest.raises(ValueError, match="no mean of no results"):
        u_of_mean([])
