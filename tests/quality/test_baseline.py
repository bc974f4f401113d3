"""A step that tank, log and time do not allow stays open until a witness explains it, and no longer."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from saltern.model.parts import Parts
from saltern.quality.baseline import Seen, Witnesses, unexplained_step

START = datetime(2026, 3, 2, tzinfo=UTC)
A_DAY = 350.0
"""1 dKH a day, about, in umol/kg."""

NOBODY = Witnesses()


def at(hours):
    return START + timedelta(hours=hours)


def result(hours, value, factor=1.0, u_own=3.0, unexplained=False, epoch=1):
    return Seen(at(hours), value, Parts(u_own, {f"titre factor {epoch}": 4.0}), factor, unexplained)


QUIET = [result(4.0 * n, 2450.0) for n in range(6)]


def step(new, past=QUIET, witnesses=NOBODY):
    return unexplained_step(new, past, witnesses, A_DAY)


def behind(hours, value):
    return result(hours, value, unexplained=True)


def test_what_the_tank_may_do_in_the_time_is_no_step():
    assert step(result(24.0, 2450.0 - 50.0)) is None
    assert step(result(24.0, 2450.0 + 50.0)) is None
    assert step(result(48.0, 2450.0 - 300.0)) is None


def test_four_percent_at_once_is_a_step_and_stays_one_however_long_it_repeats():
    past = list(QUIET)
    for hours in range(24, 24 * 14, 4):
        found = step(result(float(hours), 2352.0), past)
        assert found is not None, hours
        assert found.since == at(20.0)
        past.append(behind(float(hours), 2352.0))
        past = past[-12:]  # as many as the service looks back
        if not past[0].unexplained:
            assert found.umol_kg == pytest.approx(-98.0)
        else:
            break


def test_a_step_whose_beginning_is_out_of_sight_is_still_open():
    past = [behind(4.0 * n, 2352.0) for n in range(12)]

    assert step(result(48.0, 2352.0), past) is not None


OPEN = [*QUIET, behind(24.0, 2352.0), behind(28.0, 2351.0)]


@pytest.mark.parametrize(
    ("witnesses", "explained"),
    [
        (Witnesses(references=(at(29.0),)), True),
        (Witnesses(references=(at(10.0),)), False),  # before the step
        (Witnesses(water_changes=(at(22.0),)), True),
        (Witnesses(doses=(at(22.0),)), False),  # a dose does not lower
        (Witnesses(tests=((at(30.0), 2360.0),)), True),
        (Witnesses(tests=((at(30.0), 2440.0),)), False),  # it speaks for the old value
        (Witnesses(tests=((at(30.0), 1900.0),)), False),  # and this one for neither
        (Witnesses(calibrated=(at(22.0),)), True),
        (Witnesses(weighed=0.03), True),
        (Witnesses(weighed=0.08), False),
    ],
)
def test_a_witness_explains_a_step_where_it_can(witnesses, explained):
    assert (step(result(32.0, 2352.0), OPEN, witnesses) is None) is explained


def test_a_logged_dose_explains_a_rise():
    assert step(result(24.0, 2550.0)) is not None
    assert step(result(24.0, 2550.0), witnesses=Witnesses(doses=(at(21.0),))) is None


def test_a_result_that_is_provisional_for_another_reason_anchors_nothing():
    past = [*QUIET, Seen(at(22.0), 2352.0, Parts(3.0), accepted=False)]

    assert step(result(24.0, 2352.0), past) is not None
    assert step(result(24.0, 2450.0), past) is None
    assert step(result(24.0, 2352.0), past[-1:]) is None  # a bench that was never standardised


def test_a_step_back_closes_it():
    assert step(result(32.0, 2449.0), OPEN) is None
    assert step(result(32.0, 2360.0), OPEN) is not None


def test_a_tank_that_is_known_to_go_faster_is_no_step():
    """Nobody doses, and its corals take 2 dKH a day."""
    past = [result(4.0 * n, 2450.0 - 2.0 * A_DAY / 6.0 * n) for n in range(8)]

    assert step(result(32.0, 2450.0 - 2.0 * A_DAY / 6.0 * 8), past) is None
    assert step(result(32.0, past[-1].umol_kg - 200.0), past) is not None


def test_a_standardisation_that_moves_the_results_is_no_step_of_the_tank():
    """The factor falls by 4 %; the same water then reads 98 lower, and was titrated with as much acid as before."""
    assert step(result(24.0, 2352.0, factor=0.96, epoch=2)) is None


def test_a_standardisation_that_finds_what_had_moved_is_none_either():
    """The tube had gone by 4 % before the reference, and results now read what the tank is."""
    assert step(result(24.0, 2450.0, factor=0.96, epoch=2)) is None


def test_sound_tanks_are_hardly_ever_called_stepped():
    """A tank that swings by day and night and wanders, read by a hobby bench: not once in 500 results is too often."""
    random, called, count = np.random.default_rng(3), 0, 0
    for _ in range(20):
        past = []
        for n in range(50):
            hours = 4.0 * n
            swing = 0.1 * A_DAY * np.sin(2.0 * np.pi * hours / 24.0)
            new = result(hours, 2450.0 + swing + random.normal(0.0, 14.3), u_own=14.3)
            called += step(new, past[-12:]) is not None
            count += 1
            past.append(new)

    assert count == 1000
    assert called <= 2
