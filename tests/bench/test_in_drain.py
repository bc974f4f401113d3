"""What float and tray do in a drain, seen by scans of a tenth of a second."""

import pytest

from saltern.bench.in_drain import InDrain
from saltern.bench.interlocks import Snapshot


def seen(*, float_up=False, wet=False):
    return Snapshot(overfill=float_up, leak=wet)


@pytest.fixture
def drain():
    found = InDrain()
    found.begin(seen())
    return found


def looked(drain, at_s, **now):
    found = seen(**now)
    drain.look(found, at_s)
    return found


def test_a_float_that_rises_is_timed_from_when_it_was_first_up(drain):
    assert looked(drain, 1.0).float_up_in_drain_s == 0.0
    assert looked(drain, 2.0, float_up=True).float_up_in_drain_s == 0.0
    assert looked(drain, 2.5, float_up=True).float_up_in_drain_s == pytest.approx(0.5)
    assert looked(drain, 4.0, float_up=True).float_up_in_drain_s == pytest.approx(2.0)


def test_a_float_that_bobs_begins_anew(drain):
    looked(drain, 1.0, float_up=True)
    assert looked(drain, 2.0).float_up_in_drain_s == 0.0
    assert looked(drain, 3.0, float_up=True).float_up_in_drain_s == 0.0
    assert looked(drain, 3.5, float_up=True).float_up_in_drain_s == pytest.approx(0.5)


def test_a_dry_cell_says_that_it_does_drain(drain):
    looked(drain, 1.0, float_up=True)
    drain.cell_wet = False
    assert looked(drain, 4.0, float_up=True).float_up_in_drain_s == 0.0


def test_a_float_that_was_up_before_says_nothing():
    drain = InDrain()
    drain.begin(seen(float_up=True))
    looked(drain, 1.0, float_up=True)
    assert looked(drain, 9.0, float_up=True).float_up_in_drain_s == 0.0


def test_a_tray_that_becomes_wet_is_seen_and_one_that_was_wet_is_not(drain):
    assert not looked(drain, 1.0).tray_wetted_in_drain
    assert looked(drain, 2.0, wet=True).tray_wetted_in_drain
    already = InDrain()
    already.begin(seen(wet=True))
    assert not looked(already, 1.0, wet=True).tray_wetted_in_drain


def test_after_the_drain_nothing_of_it_is_seen(drain):
    looked(drain, 1.0, float_up=True)
    drain.end()
    after = looked(drain, 9.0, float_up=True, wet=True)
    assert (after.float_up_in_drain_s, after.tray_wetted_in_drain) == (0.0, False)


def test_the_next_drain_knows_nothing_of_the_last(drain):
    looked(drain, 1.0, float_up=True)
    drain.cell_wet = False
    drain.begin(seen())
    assert looked(drain, 5.0, float_up=True).float_up_in_drain_s == 0.0
    assert looked(drain, 6.0, float_up=True).float_up_in_drain_s == pytest.approx(1.0)
