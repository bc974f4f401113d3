"""The uncertainty of a result grows with the age of what it rests on."""

from datetime import date

import pytest

from saltern.chemistry.seawater import density_kg_l
from saltern.config.loading import bench_from
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


def test_salinity_and_temperature_count_by_the_samples_density():
    """gsw: seawater of S 35 at 25 degC grows heavier by 7.4e-4 a unit of salinity, and lighter by 3.0e-4 a kelvin."""
    base = density_kg_l(35.0, 25.0)
    by_salinity = (density_kg_l(36.0, 25.0) - base) / base
    by_kelvin = (base - density_kg_l(35.0, 26.0)) / base
    config = bench_from(bench_table({"probes.temperature.u_k": 1.0}), where="test")
    budget = alkalinity_budget(config, 2500.0, 2.0, 100.0, None, salinity_u=1.0)

    assert budget["salinity"] == pytest.approx(2500.0 * by_salinity, rel=0.02)
    assert budget["expansion of the titrant"] == pytest.approx(2500.0 * 2.6e-4, rel=0.3)  # water at 25 degC, handbook
    assert budget["sample metered at another temperature"] == pytest.approx(0.5 * 2500.0 * by_kelvin, rel=0.05)
    assert budget["temperature"] == pytest.approx(2500.0 * by_kelvin, rel=0.05)
