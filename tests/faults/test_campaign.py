"""A slice of the fault campaign on every run; `make soak` plays all of it (`python -m tests.faults`)."""

import pytest

from tests.faults.campaign import Case, cases_of_one, cases_of_two, fault, play
from tests.faults.drawn import STANDARDISE, drawn
from tests.faults.mutants import score

EVERY_SINGLE, EVERY_PAIR = 37, 127
"""Coprime to the number of phases: the slice meets every kind and every phase, not every kind at every phase."""

ONCE_WRONG = (
    Case(19, (fault("ph-drift", "evaluate", 4.0, None, None),)),  # 1763 umol/kg off, accepted: the fit looked sound
    Case(20, (fault("sample-pump-runaway", "fill", 1.0, 0.25, None),)),  # 4 % more sample than counted, accepted
    Case(22, (fault("service-hang", "permit of titrant", 2.0, None, None),)),  # a lost run that nobody was told of
    Case(46, (fault("overfill-switch-splash", "measure", 2.0, None, None),)),  # a pause within a motion, counted as two
    Case(71, (fault("service-hang", "fill", 15.0, None, None),)),  # what ran on in a hang, counted as another start
    Case(106, (fault("pump-gain-shift", "empty", 4.0, 0.25, "titrant"),)),  # pH 6 u off: u did not grow with scatter
    Case(92, (fault("serial-garbled", "empty", 4.0, 0.25, None),), persist=False),  # 3.3 u off, by the same
    Case(61, (fault("conductivity-bubble", "permit of sample", 5.0, None, None),)),  # salinity 23, second result: taken
    Case(
        119, (fault("titrant-line-air", "measure", 2.0, None, None),), persist=False
    ),  # 23 umol/kg high, second result
    Case(24, (fault("disk-readonly", "titrate", 20.0, 0.5, None),)),  # a start every minute that could not be kept
)
"""Cases in which something was violated once."""


@pytest.mark.parametrize("case", ONCE_WRONG, ids=str)
def test_what_was_mended_stays_mended(case):
    assert play(case).violated == {}


@pytest.mark.parametrize("case", list(cases_of_one())[::EVERY_SINGLE], ids=str)
def test_one_fault_violates_nothing(case):
    assert play(case).violated == {}


@pytest.mark.parametrize("case", list(cases_of_two())[::EVERY_PAIR], ids=str)
def test_two_faults_violate_nothing(case):
    assert play(case).violated == {}


@pytest.mark.parametrize("number", [83, 97])
def test_faults_while_a_reference_is_measured_violate_nothing(number):
    """A waste line that is blocked in the first replicate, and a temperature plug that comes off."""
    case = drawn(1, number)
    assert STANDARDISE in [act["command"] for act in case.table["operator"]]
    assert case.play().violated == {}


def test_every_mutant_of_every_row_is_killed():
    killed, made, living = score()

    assert living == []
    assert killed == made > 50
