"""A change is stated with its own uncertainty, and a recalibration never reads as the tank."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from saltern.model.determination import Determination, Source
from saltern.model.parts import Parts
from saltern.model.verdict import Quantity, Reason, Verdict
from saltern.records.as_json import determination_json
from saltern.tank.change import change_since_yesterday
from saltern.tank.trend import trend_of

START = datetime(2026, 3, 2, tzinfo=UTC)
OWN = {"good": 3.2, "hobby": 14.3}
SHARED = {"good": 2.0, "hobby": 8.0}


def result(hours, value, epoch=12, own=3.2, shared=2.0, reasons=(), source=Source.TANK):
    parts = Parts(own, {f"titre factor {epoch}": shared})
    verdict = Verdict.PROVISIONAL if reasons else Verdict.ACCEPTED
    other = Quantity(35.0, 0.1, Verdict.ACCEPTED)
    return Determination(
        source=source,
        started_at=START + timedelta(hours=hours),
        started_s=3600.0 * hours,
        finished_s=3600.0 * hours + 900.0,
        alkalinity=Quantity(value, parts.u, verdict, reasons, parts),
        ph_total=other,
        salinity=other,
        method="least-squares",
        calibrations={"titre": epoch},
    )


def test_a_change_since_yesterday_leaves_out_what_both_share():
    newest, past = result(26.0, 2416.0), [result(2.0, 2450.0), result(22.0, 2420.0), result(-20.0, 2500.0)]
    change = change_since_yesterday(newest, past)

    assert change.umol_kg == -34.0
    assert change.hours == 24.0
    assert change.u_umol_kg == pytest.approx(3.2 * 2.0**0.5)
    assert not change.across
    assert change_since_yesterday(newest, past[1:2]) is None
    assert change_since_yesterday(result(26.0, 2416.0, source=Source.REFERENCE), past) is None


def test_json_says_it_in_both_units():
    found = determination_json(7, result(26.0, 2416.0), [result(2.0, 2450.0, epoch=11)])

    assert found["change"]["dkh"] == pytest.approx(-34.0 / 348.0, rel=0.01)  # 1 dKH is 348 umol/kg at S 35, about
    assert found["change"]["u"] == pytest.approx((2.0 * 3.2**2 + 2.0 * 2.0**2) ** 0.5)
    assert found["change"]["across_titre_factors"]
    assert found["alkalinity"]["u_own"] == 3.2
    assert found["alkalinity"]["u_shared"] == 2.0
    assert found["alkalinity"]["epochs"] == {"titre factor 12": 2.0}
    assert "change" not in determination_json(7, result(26.0, 2416.0))


def week(instruments, seed, a_day=0.0, jump=0.0, unexplained=0.0):
    """A week of a tank that goes by `a_day`; the factor is found anew at a drawn time, and moves results by `jump`."""
    random, own, shared = np.random.default_rng(seed), OWN[instruments], SHARED[instruments]
    at = random.uniform(1.0, 6.0)
    errors = {12: random.normal(0.0, shared), 13: random.normal(0.0, shared)}
    found = []
    for n in range(42):
        days = n / 6.0
        epoch = 12 if days < at else 13
        value = 2450.0 + a_day * days + errors[epoch] + (jump if epoch == 13 else 0.0) + random.normal(0.0, own)
        reasons = (Reason.STEP_UNEXPLAINED,) if unexplained and days > 3.0 else ()
        value += unexplained if reasons else 0.0
        found.append(result(24.0 * days, value, epoch if not unexplained else 12, own, shared, reasons))
    return found


def sure(line):
    return abs(line.umol_kg_per_day) > 2.0 * line.u_umol_kg_per_day


@pytest.mark.parametrize("instruments", ["good", "hobby"])
def test_a_recalibration_of_one_percent_is_no_trend_of_the_tank(instruments):
    """It was called a sure one in 97 % (good). All of it, over at least 2,000: `make bench`."""
    lines = [trend_of(week(instruments, seed, jump=24.5)) for seed in range(200)]

    assert np.mean([sure(line) for line in lines]) <= 0.09  # 5 % by chance, and 200 draws
    assert abs(np.mean([line.umol_kg_per_day for line in lines])) < 0.5 * OWN[instruments]


@pytest.mark.parametrize(("instruments", "dkh_a_day"), [("good", 0.05), ("hobby", 0.15)])
def test_a_true_trend_is_called_for_all_that(instruments, dkh_a_day):
    lines = [trend_of(week(instruments, seed, a_day=348.0 * dkh_a_day, jump=24.5)) for seed in range(200)]

    assert np.mean([sure(line) for line in lines]) >= 0.9


def test_slopes_count_behind_an_open_step_and_the_step_does_not():
    line = trend_of(week("good", 1, a_day=17.0, unexplained=-98.0))

    assert line.umol_kg_per_day == pytest.approx(17.0, abs=3.0 * line.u_umol_kg_per_day)
    assert line.u_umol_kg_per_day < 3.0
