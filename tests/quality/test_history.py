"""A bench's own past: what it lets one expect, and what differs from it."""

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from saltern.chemistry.endpoint.curve import EndPoint, Estimate
from saltern.model.verdict import Quantity, Reason, Verdict
from saltern.quality.history import (
    LEAST_RESULTS,
    NO_HISTORY,
    alkalinity_against,
    electrode_against,
    history_of,
    ph_against,
    salinity_against,
    salinity_u_in_doubt,
    unseen_acid_against,
    usual_loss,
)
from saltern.quality.judge import asked_again, confirmed

START = datetime(2026, 3, 2, tzinfo=UTC)

SALINITY = Quantity(35.0, 0.2, Verdict.ACCEPTED)


@dataclass
class Result:
    started_at: datetime
    alkalinity: Quantity
    ph_total: Quantity
    end_point: EndPoint | None
    temperature_c: float | None = 25.0
    salinity: Quantity = SALINITY
    calibrated: dict = field(default_factory=dict)
    calibrations: dict = field(default_factory=dict)


def electrode(e0_mv=394.0, slope=1.0, loss=0.05):
    return EndPoint(
        "least-squares", 2450.0, 3.0, e0_mv, slope, 8, 0.1, (), 0.3, 0.001, None, None, Estimate(loss, 0.05)
    )


def past(n, random, scatter=5.0, drift=0.0, verdict=Verdict.ACCEPTED):
    return [
        Result(
            START + timedelta(hours=4 * i),
            Quantity(2450.0 + drift * i + random.normal(0.0, scatter), 4.0, verdict),
            Quantity(8.05 + random.normal(0.0, 0.05), 0.01, Verdict.ACCEPTED),
            electrode(394.0 + random.normal(0.0, 0.3)),
        )
        for i in range(n)
    ]


def next_at(n):
    return START + timedelta(hours=4 * n)


def flagged(findings):
    return [f.code for f in findings if f.flagged]


def test_too_short_a_past_expects_nothing():
    history = history_of(past(LEAST_RESULTS - 1, np.random.default_rng(1)))

    assert alkalinity_against(history, Estimate(9000.0, 4.0), next_at(9)) == ()
    assert alkalinity_against(NO_HISTORY, Estimate(9000.0, 4.0), next_at(9)) == ()
    assert electrode_against(history, electrode(0.0), 25.0) == ()


def test_a_sound_bench_is_rarely_called_surprising():
    """Of 1500 next results at most 12 (0.3 % twice over, and some for the scatter's own uncertainty)."""
    random = np.random.default_rng(2)
    alarms = 0
    for _ in range(1500):
        results = past(13, random)
        last = results.pop()
        alarms += bool(
            flagged(
                alkalinity_against(
                    history_of(results), Estimate(last.alkalinity.value, last.alkalinity.u), last.started_at
                )
            )
        )

    assert alarms <= 12


def test_what_is_not_believed_is_no_past():
    history = history_of(past(12, np.random.default_rng(3), verdict=Verdict.SUSPECT))

    assert history.alkalinity == ()
    assert history.pivot_mv == ()


def test_a_jump_differs_and_the_same_jump_after_a_long_pause_does_not():
    history = history_of(past(12, np.random.default_rng(4)))
    jumped = Estimate(2450.0 + 60.0, 4.0)

    assert flagged(alkalinity_against(history, jumped, next_at(12))) == ["differs-from-expectation"]
    assert flagged(alkalinity_against(history, jumped, next_at(12) + timedelta(days=30))) == []


def test_a_standardisation_between_two_results_is_no_surprise():
    """The factor has fallen by 2 %: under today's the past lies 49 lower, where the next result is."""
    results = past(12, np.random.default_rng(4))
    for result in results:
        result.calibrated = {"titre.factor": 1.0}
    now = Estimate(0.98 * 2450.0, 4.0)

    assert flagged(alkalinity_against(history_of(results, factor=0.98), now, next_at(12))) == []
    assert flagged(alkalinity_against(history_of(results), now, next_at(12))) == ["differs-from-expectation"]


def test_an_electrode_that_moved_is_told_from_one_that_did_not():
    history = history_of(past(12, np.random.default_rng(5)))

    assert flagged(electrode_against(history, electrode(394.2), 25.0)) == []
    assert "electrode-changed" in flagged(electrode_against(history, electrode(402.0), 25.0))
    assert "electrode-changed" in flagged(electrode_against(history, electrode(394.0 - 0.03 * 236.6, 0.97), 25.0))


def bent(mv, u_mv=0.3):
    return replace(electrode(), bend_mv=Estimate(mv, u_mv))


def test_an_electrode_that_is_bent_all_of_a_sudden_has_changed_and_one_that_always_was_has_not():
    """A bubble in the titrant may look like a bend; an electrode's own repeats."""
    straight = past(12, np.random.default_rng(6))
    curved = [replace(result, end_point=replace(result.end_point, bend_mv=Estimate(1.4, 0.3))) for result in straight]

    assert flagged(electrode_against(history_of(straight), bent(1.4), 25.0)) == ["electrode-changed"]
    assert flagged(electrode_against(history_of(straight), bent(0.5), 25.0)) == []
    assert flagged(electrode_against(history_of(curved), bent(1.2), 25.0)) == []


def test_a_ph_far_outside_its_daily_range_is_told():
    history = history_of(past(12, np.random.default_rng(6)))

    assert flagged(ph_against(history, Estimate(8.15, 0.01))) == []
    assert flagged(ph_against(history, Estimate(7.2, 0.01))) == ["differs-from-expectation"]


def test_the_usual_loss_is_the_middle_of_what_was_found():
    results = past(11, np.random.default_rng(7))
    for result, loss in zip(results, np.linspace(0.0, 0.1, 11), strict=True):
        result.end_point = electrode(loss=loss)

    usual = usual_loss(results)

    assert usual is not None
    assert usual.value == pytest.approx(0.05)
    assert usual.u >= 0.03
    assert usual_loss(results[:2]) is None


def suspect(value, *reasons):
    return Quantity(value, 4.0, Verdict.SUSPECT, reasons)


def test_two_that_agree_confirm_each_other():
    first, second = suspect(2520.0, Reason.UNEXPECTED), suspect(2525.0, Reason.UNEXPECTED)

    assert asked_again(first)
    assert confirmed(first, second).verdict is Verdict.ACCEPTED


def test_two_that_differ_do_not():
    first, second = suspect(2520.0, Reason.UNEXPECTED), suspect(2580.0, Reason.UNEXPECTED)

    assert confirmed(first, second).verdict is Verdict.SUSPECT


def test_agreement_does_not_heal_a_bad_curve():
    first, second = suspect(2520.0, Reason.POOR_FIT), suspect(2520.0, Reason.POOR_FIT)

    assert asked_again(first)
    assert confirmed(first, second).verdict is Verdict.SUSPECT


def test_a_value_out_of_range_is_not_asked_again():
    assert not asked_again(suspect(12000.0, Reason.OUT_OF_RANGE))


def test_a_bubble_at_the_cell_makes_the_salinity_suspect_until_the_cell_is_calibrated_anew():
    results = past(8, np.random.default_rng(1))
    (found,) = salinity_against(history_of(results), Estimate(24.5, 0.3))
    (usual,) = salinity_against(history_of(results), Estimate(35.4, 0.3))

    assert found.flagged
    assert not usual.flagged
    assert salinity_against(history_of(results, (START + timedelta(days=30)).date()), Estimate(24.5, 0.3)) == ()


def test_one_result_is_past_enough_to_see_a_bubble_at_the_cell():
    """The second result of a new bench was accepted with a salinity of 23 after one of 35, 24 umol/kg off at u 5."""
    history = history_of(past(1, np.random.default_rng(1)))
    (found,) = salinity_against(history, Estimate(23.4, 0.2))
    (usual,) = salinity_against(history, Estimate(history.salinity[0] - 0.7, 0.2))

    assert found.flagged
    assert not usual.flagged
    assert salinity_against(NO_HISTORY, Estimate(23.4, 0.2)) == ()


def test_what_another_calibration_of_the_cell_has_found_that_morning_is_no_past():
    """The cell is calibrated at noon, and shows 35 where it showed 31: the bench must not doubt that."""
    morning = [replace(each, calibrations={"conductivity": 1}) for each in past(3, np.random.default_rng(1))]
    noon = (START + timedelta(hours=12)).date()

    assert salinity_against(history_of(morning, noon, cell=2), Estimate(39.0, 0.2)) == ()
    assert salinity_against(history_of(morning, noon, cell=1), Estimate(39.0, 0.2))[0].flagged


@given(now=st.floats(5.0, 45.0), results=st.integers(0, 8))
def test_what_is_computed_with_a_salinity_that_differs_is_uncertain_by_as_much(now, results):
    history = history_of(past(results, np.random.default_rng(2)))
    read = Estimate(now, 0.2)
    u = salinity_u_in_doubt(history, read)

    assert u >= read.u
    if any(finding.flagged for finding in salinity_against(history, read)):
        assert u >= abs(now - np.median(history.salinity))
    else:
        assert u == read.u


def test_one_result_is_past_enough_to_see_that_acid_was_counted_and_did_not_come():
    """The second result of a new bench was accepted 23 umol/kg high at u 4: its first doses were air."""
    history = replace(NO_HISTORY, unseen_acid_umol_kg=(2.0,))
    air = unseen_acid_against(history, Estimate(23.0, 4.0), absolute_u=30.0)
    usual = unseen_acid_against(history, Estimate(10.0, 4.0), absolute_u=30.0)

    assert any(finding.flagged for finding in air)
    assert not any(finding.flagged for finding in usual)


@pytest.mark.parametrize(("acid", "named"), [(60.0, "air in the titrant line"), (-60.0, "an electrode that moved")])
def test_acid_that_is_missing_and_acid_that_nobody_counted_have_other_causes(acid, named):
    history = replace(NO_HISTORY, unseen_acid_umol_kg=(0.0,) * 5)
    found = unseen_acid_against(history, Estimate(acid, 4.0), absolute_u=10.0)

    assert all(finding.flagged and named in finding.about for finding in found)


@given(results=st.integers(1, 12), more=st.floats(0.0, 40.0))
def test_the_more_is_known_of_acid_that_is_not_seen_the_less_of_it_passes(results, more):
    acid = Estimate(more, 4.0)
    of_one = unseen_acid_against(replace(NO_HISTORY, unseen_acid_umol_kg=(0.0,)), acid, absolute_u=1e9)[-1]
    of_many = unseen_acid_against(replace(NO_HISTORY, unseen_acid_umol_kg=(0.0,) * results), acid, absolute_u=1e9)[-1]

    assert of_many.statistic >= of_one.statistic
