"""What a tank's models are given of its bench: the factor, the course that follows it, and what no reference shows."""

from pathlib import Path

import pytest

from saltern.cli.logs import quiet_logs
from saltern.cli.simulation import Stage, bench_of
from saltern.model.calibration import Kind
from saltern.procedures.titre import rate_of
from saltern.records.calibrations import ACCEPTED
from saltern.records.calibrations import history as calibrations
from saltern.records.store import IN_MEMORY
from saltern.records.tank_history import known
from saltern.tank.consumption import consumption
from saltern.tank.history import Priors
from saltern_drivers.twin.scenario import Scenario

DAY_S, AFTER_S = 86400.0, 60.0


def staged(**twin):
    """A steady tank; what its titrant pump gives falls by 3 % a month; a triplicate each week, the first on day 2."""
    scenario = Scenario.model_validate(
        {
            "seed": 7,
            "days": 21.1,
            "schedule": {"every_h": 4.0},
            "keeper": {"reference_every_d": 7.0},
            "tank": {"volume_l": 400.0, "consumption_dkh_per_day": 1.0, "dosed_dkh_per_day": 1.0},
            "twin": {
                "detail": "result",
                "truth": {"titre_ramp_percent_per_month": 3.0, "sample_ramp_percent_per_month": 0.0},
                **twin,
            },
        }
    )
    quiet_logs()
    config = bench_of(scenario, Path())
    return Stage(scenario, config.model_copy(update={"tank": None}), IN_MEMORY), config


@pytest.fixture(scope="module")
def stage():
    played, config = staged()
    yield played, config
    played.close()


def until(stage, day):
    played, config = stage
    played.play_until(day * DAY_S + AFTER_S)
    return played, known(played.computer.service.store, config, config.tank, played.clock.now())


def test_before_any_standardisation_the_bench_file_is_taken_at_its_word(stage):
    _, found = until(stage, 1.5)

    assert [each.u < Priors.factor_u / 2.0 for each in found.history.factors] == [True]


def test_once_standardised_the_bench_files_word_counts_no_more(stage):
    _, found = until(stage, 3.0)
    first, second = found.history.factors

    assert first.u == Priors.factor_u
    assert second.u < Priors.factor_u / 2.0
    assert second.moved == pytest.approx(-found.history.references[0].excess, rel=0.05)


def test_a_factor_that_nobody_had_standardised_stays_as_unknown_as_it_was():
    """Gains and label alone leave a percent or two: that must not shrink because a standardisation came later."""
    stage = staged(calibrated=False, instruments="hobby")
    _, before = until(stage, 1.5)
    _, after = until(stage, 3.0)
    stage[0].close()

    assert before.history.factors[0].u > 2.0 * Priors.factor_u
    assert after.history.factors[0].u == before.history.factors[0].u
    assert after.history.factors[1].u < Priors.factor_u


def test_each_factor_has_the_course_of_its_calibration(stage):
    played, found = until(stage, 17.0)
    kept = reversed(calibrations(played.computer.service.store, Kind.TITRE))
    rates = [rate_of(each.values) for each in kept if each.outcome == ACCEPTED]

    assert [3000.0 * each.course_per_day for each in found.history.factors] == pytest.approx([0.0, *rates])
    assert rates[-1] == pytest.approx(-3.0, abs=0.8)  # the factor falls as results rise


def test_a_bench_that_drifts_and_is_followed_is_not_read_as_the_tank(stage):
    played, found = until(stage, 21.0)
    net = consumption(found.history, found.priors, 21.0, (7.0,)).windows[7.0].net_dkh_per_day
    truth = played.play.of_day(21)["net_dkh_per_day"]

    assert abs(net.value - truth) < 2.0 * net.u < 0.008


def test_what_no_reference_shows_stays_in_the_level(stage):
    """A bottle's own error and what repeats in the curve: no number of results and references takes them away."""
    _, found = until(stage, 21.0)
    level = consumption(found.history, found.priors, 21.0, (7.0,)).windows[7.0].alkalinity_dkh

    assert level.u > found.priors.common_u * level.value > 0.005
