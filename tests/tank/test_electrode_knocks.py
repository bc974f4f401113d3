"""An electrode that moves alone is known as such; one that moves as a wrong volume moves it is not."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from saltern.tank.electrode_knocks import knocks
from saltern.tank.findings import Circumstances, Whose, looks
from saltern.tank.history import Seen
from tests.tank.reef import GOOD_OWN_UMOL_KG, Reef, play, priors_of

WANDERS = Reef(1, 20, own_umol_kg=GOOD_OWN_UMOL_KG, electrode_wander_mv=0.3, reference_every_d=7.0, standardised=True)


def offset_from(seen, day, mv):
    return tuple(replace(each, e0_mv=each.e0_mv + (mv if each.at_d > day else 0.0)) for each in seen)


@given(mv=st.floats(1.5, 12.0), sign=st.sampled_from([-1.0, 1.0]))
def test_a_jump_of_the_offset_alone_is_a_knock_at_its_first_result(mv, sign):
    seen = [Seen(k / 6.0, 8.0, 0.01, 400.0 + (sign * mv if k >= 20 else 0.0), 0.1) for k in range(40)]

    assert knocks(seen) == {20 / 6.0}


@given(percent=st.floats(4.5, 30.0), sign=st.sampled_from([-1.0, 1.0]))
def test_a_jump_of_both_as_a_volume_makes_it_is_none(percent, sign):
    part = sign * percent / 100.0
    seen = [
        Seen(k / 6.0, 8.0 * (1.0 + (part if k >= 20 else 0.0)), 0.01, 400.0 - (26.0 * part if k >= 20 else 0.0), 0.1)
        for k in range(40)
    ]

    assert knocks(seen) == frozenset()


def test_an_electrode_that_wanders_is_hardly_ever_taken_for_a_knocked_one():
    played = play(replace(WANDERS, tanks=20), 5)

    assert sum(len(knocks(history.seen)) for history in played.histories) <= 2  # in 400 days of tanks


@pytest.mark.parametrize("mv", [5.0, -5.0])
def test_a_knock_is_not_named_as_a_pump(mv):
    """Good benches of the unfriendly world: a knock of 5 mV was named `factor-moved` by 9 %."""
    played = play(replace(WANDERS, tanks=4), 11)
    for history in played.histories:
        knocked = replace(history, seen=offset_from(history.seen, 12.0, mv))
        told = looks(knocked, priors_of(WANDERS), 11.0, 19.0, [], Circumstances())

        assert not any(each.whose is Whose.INSTRUMENT for each in told)
