"""Slices of `tests/benchmarks/tank.py`: what its tables say of hundreds of tanks holds for a few on every run."""

import numpy as np
import pytest

from tests.benchmarks import tank
from tests.tank.reef import Reef, light_of


def test_a_tank_that_wanders_with_its_light_is_not_said_to_change():
    """A wander that lifts the day's appetite lifts its day and night too, which once looked like a change."""
    told = tank.false_alarms("good", 3, 30, 21, tank.WITHOUT_OFFSET | {"wander": (0.1, 0.1)})

    assert sum(map(len, told)) == 0


def test_a_change_of_the_consumption_is_told_within_sixteen_hours():
    told, named = tank.delays_h("good", 0.03, 0.3, 4, 33)

    assert max(told) <= 16.0
    assert np.all(told <= named)


def test_nights_said_to_be_sure_come_true():
    said, was = tank.forecasts("good", 3, 4).T

    assert was[said > 0.95].mean() > 0.9
    assert was[said < 0.05].mean() < 0.1


def test_a_tank_that_leaves_its_band_is_warned_of_half_a_day_before_and_more():
    warned, left = tank.early_warnings("good", 4, 7)

    assert len(left) >= 2
    assert all(told_d is not None and out_d - told_d > 0.5 for out_d, told_d in left)
    assert sum(came for _, _, came in warned) >= 0.5 * len(warned)  # of 60 tanks: four of five, where 70 % were said


@pytest.mark.parametrize("kind", ["window", "cosine"])
def test_the_light_that_the_tanks_are_judged_by_takes_and_gives_nothing_over_a_day(kind):
    assert abs(np.mean(light_of(kind, np.arange(1440) / 1440.0))) < 0.02


def test_what_a_reference_took_out_of_results_is_in_the_history_of_a_standardised_reef():
    """The judge's own account: after each reference results are off by its noise, and before it by what it found."""
    from tests.tank.reef import play

    reef = Reef(
        4, 10, own_umol_kg=0.01, factor_percent=2.0, reference_every_d=7.0, standardised=True, wander=(0.0, 0.0)
    )
    played = play(reef, 3)
    for i, history in enumerate(played.histories):
        first, moved = history.references[0], history.factors[1]
        before = [each for each in history.seen if each.at_d < first.at_d][-1]
        after = next(each for each in history.seen if each.at_d > first.at_d)
        off = [each.dkh / played.level[played.at(each.at_d), i] - 1.0 for each in (before, after)]

        assert moved.moved == -first.excess
        assert off[0] == pytest.approx(first.excess, abs=4 * first.u)
        assert off[1] == pytest.approx(0.0, abs=4 * first.u)
