"""What replicates teach of the scatter."""

from math import sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import t as student

from saltern.quality.scatter import MOST_FREEDOM, STATED_FREEDOM, Scatter, learned

RELATIVE = st.floats(1e-5, 0.1)


@given(RELATIVE, RELATIVE, st.integers(1, 10))
def test_what_is_learned_lies_between_what_was_stated_and_what_was_found(stated, found, count):
    now = learned(None, stated, found, count)

    assert min(stated, found) * (1.0 - 1e-9) <= now.sd <= max(stated, found) * (1.0 + 1e-9)
    assert now.freedom == STATED_FREEDOM + count - 1


def test_one_determination_teaches_nothing():
    assert learned(None, 0.002, 0.1, 1).sd == pytest.approx(0.002)


def test_a_year_of_weekly_triplicates_finds_a_scatter_of_three_times_what_was_stated():
    random, now = np.random.default_rng(3), None
    for _ in range(52):
        now = learned(now, 0.001, float(np.std(random.normal(0.0, 0.003, 3), ddof=1)), 3)

    assert now.sd == pytest.approx(0.003, rel=0.25)
    assert now.freedom == MOST_FREEDOM


@given(st.floats(2.5, 100.0))
def test_the_next_result_is_as_uncertain_as_students_distribution_has_it(freedom):
    assert Scatter(0.01, freedom).u == pytest.approx(0.01 * student(freedom).std(), rel=1e-6)


def test_intervals_hold_where_a_bench_scatters_otherwise_than_it_states():
    """True scatters of half to three times what is stated, one triplicate: 92 to 97.5 % of the next results in 2 u."""
    random, within, tries = np.random.default_rng(4), 0, 4000
    for ratio in np.exp(random.uniform(np.log(0.5), np.log(3.0), tries)):
        replicates = random.normal(0.0, ratio, 3)
        within += abs(random.normal(0.0, ratio)) < 2.0 * learned(None, 1.0, float(np.std(replicates, ddof=1)), 3).u
    share = within / tries

    assert 0.92 < share < 0.975
    assert sqrt(share * (1.0 - share) / tries) < 0.005
