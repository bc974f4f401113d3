"""What a proved drain says of the waste container: the least and the most that can have gone there."""

from saltern.bench import bookkeeping
from saltern.model.ledger import Interval, Ledger

CELL_ML = 12.0


def with_vessel(low_ml, high_ml):
    return Ledger(
        vessel_ml=Interval(low_ml, high_ml), titrant_left_ml=Interval(900.0, 900.0), waste_ml=Interval(100.0, 110.0)
    )


def test_a_proved_drain_took_all_but_what_stands_below_the_cell_and_at_most_all():
    drained = bookkeeping.proved_empty(with_vessel(30.0, 40.0), CELL_ML)

    assert drained.waste_ml == Interval(100.0 + 30.0 - CELL_ML, 110.0 + 40.0)


def test_a_proved_drain_of_less_than_stands_below_the_cell_may_have_taken_nothing():
    assert bookkeeping.proved_empty(with_vessel(5.0, 8.0), CELL_ML).waste_ml == Interval(100.0, 110.0 + 8.0)
