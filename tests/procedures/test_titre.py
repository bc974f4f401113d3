"""The factor at the time of a determination: level, rate, and what of its error results have in common."""

import json
from datetime import UTC, date, datetime, timedelta
from math import exp, hypot

import pytest
from hypothesis import given
from hypothesis import strategies as st

from saltern.clock import VirtualClock
from saltern.config.loading import bench_from, with_values
from saltern.config.tables import Titre
from saltern.model.calibration import Calibration, Kind
from saltern.model.parts import Parts, u_of_change
from saltern.procedures.budget import OWN, SHARED_BY, SHOWN, alkalinity_budget, alkalinity_parts, combined_u
from saltern.procedures.titre import factor_of, state_of, titre_at, values_of, values_of_scatter
from saltern.quality.scatter import Scatter
from saltern.quality.titre_filter import RATE_PRIOR, TitreState, aged
from saltern.records import calibrations
from saltern.records.opening import open_store
from tests.twin_bench import bench_table

FOUND = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
STATE = TitreState(1.02, 0.001, 0.0007, 0.01 / 30.0, 0.004 / 30.0, 0.3 * 0.001 * 0.004 / 30.0)


def config(changes=None, titre=None):
    known = bench_from(bench_table(changes), where="test")
    return known if titre is None else with_values(known, titre, where="standardised")


def standardised(changes=None):
    return config(changes, values_of(STATE, FOUND, "lot 7"))


def after(days):
    return FOUND + timedelta(days=days)


def test_what_is_kept_is_what_was_found():
    kept = state_of(standardised().titre)
    for name in ("factor", "u", "u_reference", "rate", "u_rate", "covariance"):
        assert getattr(kept, name) == pytest.approx(getattr(STATE, name), rel=1e-9)


def test_between_standardisations_the_factor_goes_on_at_its_rate():
    now = titre_at(standardised().titre, after(15.0), 12)

    assert now.factor == pytest.approx(1.02 * exp(0.005))
    assert factor_of(values_of(STATE, FOUND, ""), after(15.0)) == pytest.approx(now.factor)
    assert factor_of(values_of(STATE, FOUND, ""), after(-15.0)) == pytest.approx(1.02)


@given(st.floats(0.0, 90.0))
def test_budget_and_epochs_say_the_same_as_the_filter(days):
    now, by_filter = titre_at(standardised().titre, after(days), 12), aged(STATE, days, 0.2)
    u_percent = 100.0 * hypot(by_filter.u, by_filter.u_reference)

    assert hypot(*now.percent.values()) == pytest.approx(u_percent, rel=1e-6)
    assert hypot(*now.epochs.values()) == pytest.approx(u_percent, rel=1e-6)


def test_a_change_within_an_epoch_is_hardly_touched_by_the_factor_and_one_across_is():
    def parts(days, number):
        bench = standardised()
        budget = alkalinity_budget(bench, 2450.0, 2.0, 100.0, after(days))
        return alkalinity_parts(bench, 2450.0, budget, after(days), {"titre": number})

    within, across = u_of_change(parts(0.0, 12), parts(1.0, 12)), u_of_change(parts(0.0, 12), parts(1.0, 13))
    own = hypot(parts(0.0, 12).u_own, parts(1.0, 12).u_own)

    assert within < 1.05 * own
    assert across > hypot(own, 0.9 * 2450.0 * hypot(0.001, 0.001))
    assert across < hypot(parts(0.0, 12).u, parts(1.0, 13).u)  # the bottle of reference is one and the same


BALANCE = {"probes.balance": {"board": {"driver": "i2c-scale", "g_per_count": 0.0001}}}
TIP = {
    "sample.draw_down": {"selector": {"driver": "gpio-selector", "pin": 15}, "tip_mm": 50.75},
    "limits.titrant_per_run_ml": 12.0,
}


@pytest.mark.parametrize("changes", [{}, BALANCE, TIP], ids=["pump", "balance", "tip"])
@pytest.mark.parametrize("factor", ["followed", "as the file says", "none"])
def test_every_source_declares_what_it_shares_and_its_parts_are_its_uncertainty(changes, factor):
    bench = standardised(changes) if factor == "followed" else config(changes)
    if factor == "none":
        bench = with_values(bench, calibrations.NO_TITRE, where="never standardised")
    budget = alkalinity_budget(bench, 2450.0, 2.0, 100.0, after(10.0), salinity_u=0.2)
    parts = alkalinity_parts(bench, 2450.0, budget, after(10.0), {"titre": 12})

    assert set(budget) <= set(SHARED_BY)
    assert parts.u == pytest.approx(combined_u(budget), rel=1e-6)
    assert parts.u_own == pytest.approx(combined_u({name: u for name, u in budget.items() if name in OWN}))


def test_a_result_states_the_scatter_that_replicates_have_shown_where_it_is_more_than_the_budget():
    def own_of(scatter):
        values = {**values_of(STATE, FOUND, "lot 7"), **({} if scatter is None else values_of_scatter(scatter))}
        budget = alkalinity_budget(config(titre=values), 2450.0, 2.0, 100.0, after(0.0))
        return hypot(*(u for name, u in budget.items() if name in OWN)), SHOWN in budget

    stated, shown = own_of(None)
    assert not shown
    assert own_of(Scatter(0.1 * stated / 2450.0, 30.0)) == (stated, False)
    wide = Scatter(3.0 * stated / 2450.0, 6.0)
    assert own_of(wide) == (pytest.approx(2450.0 * wide.u), True)


def test_what_the_first_factor_takes_away_is_not_counted_as_scatter():
    """A tip's height, and the gain of a balance, are the same in each replicate of a reference."""
    assert {"height of the draw-down tip", "gain of the balance"}.isdisjoint(OWN)


def test_a_record_from_before_a_rate_was_followed_has_the_rate_that_nothing_is_known_of():
    store = open_store(":memory:", VirtualClock())
    old = {"titre.factor": 1.01, "titre.u_percent": 0.2, "titre.calibrated_on": "2026-02-20"}
    made = Calibration(Kind.TITRE, old, "1.01", {"u_state": 0.0019, "u_reference": 0.0006})
    calibrations.keep(store, made, "the keeper", FOUND, {})
    assert "course" not in json.dumps(old)

    titre = calibrations.taken_up(config(), store).config.titre
    assert titre.u_percent == 0.2
    assert titre.calibrated_on == date(2026, 2, 20)
    assert state_of(titre).u == pytest.approx(0.0019)
    assert state_of(titre).u_rate == pytest.approx(RATE_PRIOR)
    assert titre.course.at.date() == date(2026, 2, 20)


def test_a_factor_of_the_bench_file_stands_as_the_file_says():
    titre = Titre(factor=1.01, u_percent=0.2, calibrated_on=date(2026, 2, 1), drift_percent_per_month=0.3)
    now = titre_at(titre, after(0.0))

    assert now.factor == 1.01
    assert now.percent["age of the titre factor"] == pytest.approx(0.3 * 29.0 / 30.0 / 3.0**0.5)
    assert Parts(0.0, now.epochs).u == pytest.approx(hypot(*now.percent.values()))
