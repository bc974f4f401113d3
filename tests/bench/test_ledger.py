"""The ledger's bound holds whatever is done, and narrows only by proof."""

from hypothesis import given
from hypothesis import strategies as st

from saltern.bench import bookkeeping
from saltern.model.ledger import Interval

VOLUMES = st.floats(0.0, 150.0)


@given(
    VOLUMES, st.lists(st.tuples(st.sampled_from(["sample", "titrant", "drain", "proof"]), VOLUMES, st.floats(0.0, 1.0)))
)
def test_truth_stays_within_the_bounds(start_ml, acts):
    """`share` is how much of what was asked really moved: nothing in the ledger may depend on it being one."""
    ledger, truth = bookkeeping.first(150.0, 1000.0), start_ml
    for act, most_ml, share in acts:
        moved = most_ml * share
        if act == "sample":
            ledger, truth = bookkeeping.sample_added(ledger, 0.0, most_ml), truth + moved
        elif act == "titrant":
            ledger, truth = bookkeeping.titrant_added(ledger, 0.0, most_ml), truth + moved
        elif act == "drain":
            ledger, truth = bookkeeping.drained(ledger, most_ml), max(0.0, truth - moved)
        else:
            truth = min(truth, 12.0)
            ledger = bookkeeping.proved_empty(ledger, 12.0)
        assert ledger.vessel_ml.low - 1e-9 <= truth <= ledger.vessel_ml.high + 1e-9


def test_a_drain_without_proof_takes_nothing_off_the_upper_bound():
    ledger = bookkeeping.sample_added(bookkeeping.proved_empty(bookkeeping.first(150.0, 1000.0), 12.0), 0.0, 100.0)

    assert bookkeeping.drained(ledger, 500.0).vessel_ml.high == ledger.vessel_ml.high


def test_after_an_unclean_stop_the_vessel_holds_no_more_than_was_promised_and_what_ran_on():
    ledger = bookkeeping.proved_empty(bookkeeping.first(150.0, 1000.0), 12.0)
    fill = bookkeeping.promised(ledger, "fill", 101.0, 0.0)
    found = bookkeeping.after_unclean_stop(fill, 150.0, 9.0)

    assert found.vessel_ml == Interval(0.0, 122.0)
    assert bookkeeping.after_unclean_stop(fill, 150.0, 90.0).vessel_ml == Interval(0.0, 150.0)
    assert found.stage is None


def test_the_daily_titrant_refills_by_uptime_alone():
    ledger = bookkeeping.titrant_added(bookkeeping.first(150.0, 1000.0), 0.0, 30.0)

    assert bookkeeping.uptime_passed(ledger, 6 * 3600.0, 120.0).titrant_recent_ml == 0.0
    assert bookkeeping.uptime_passed(ledger, 3 * 3600.0, 120.0).titrant_recent_ml == 15.0
