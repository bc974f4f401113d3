"""The uncertainty of a result grows with the age of what it rests on."""

from datetime import date

import pytest

from saltern.config import bench_from
from saltern.procedures.budget import alkalinity_budget, combined_u
from tests.twin_bench import bench_table


def u(changes, today):
    config = bench_from(bench_table(changes), where="test")
    return combined_u(alkalinity_budget(config, 2500.0, 2.0, 100.0, today))


def test_it_grows_with_time_since_the_last_reference():
    dated = {"titre.calibrated_on": date(2026, 1, 1), "titre.drift_percent_per_month": 0.3}
    ages = [u(dated, date(2026, month, 1)) for month in range(1, 12)]

    assert ages == sorted(ages)
    assert ages[0] == pytest.approx(u({}, None), rel=1e-6)
    assert ages[-1] > 25.0 * 0.3 * 10.0 / 3.0**0.5


def test_of_a_reference_without_a_date_nothing_is_made_up():
    assert u({}, date(2030, 1, 1)) == u({}, None)
