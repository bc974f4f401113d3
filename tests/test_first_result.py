"""What supports the first result of a bench: another one, lately, that found the same."""

from dataclasses import replace
from datetime import timedelta

import pytest

from saltern.clock import VirtualClock
from saltern.config.tables import Alerts
from saltern.model.determination import Source
from saltern.model.verdict import Reason, Verdict
from saltern.records.opening import open_store
from saltern.records.store import IN_MEMORY
from saltern.running.anchoring import supported
from tests.nine_days import NOW, determination

LATER = timedelta(hours=2)
RULES = Alerts(most_dkh_per_day=1.2)  # 0.1 dKH in the two hours


@pytest.fixture
def store():
    opened = open_store(IN_MEMORY, VirtualClock())
    yield opened
    opened.close()


def first(dkh=8.0, reason=Reason.FIRST, at=NOW):
    found = determination(at, dkh, Verdict.SUSPECT)
    return replace(found, alkalinity=replace(found.alkalinity, reasons=(reason,)))


def judged(store, d):
    found = supported(store, RULES, d)
    return found.alkalinity.verdict, found.ph_total.verdict


def test_without_a_past_both_values_of_the_fit_wait_for_another(store):
    found = supported(store, RULES, determination(NOW, 8.0))

    assert found.alkalinity.reasons == found.ph_total.reasons == (Reason.FIRST,)
    assert found.salinity.verdict is Verdict.ACCEPTED


@pytest.mark.parametrize(
    ("before", "verdict"),
    [
        (first(), Verdict.ACCEPTED),
        (first(dkh=7.92), Verdict.ACCEPTED),  # the tank may do that in two hours
        (first(dkh=7.7), Verdict.SUSPECT),
        (first(reason=Reason.VOLUME_STEP), Verdict.SUSPECT),  # of a curve that is wrong by itself
        (first(reason=Reason.UNEXPECTED), Verdict.ACCEPTED),  # far from the keeper's word, and so is the other
        (first(at=NOW - timedelta(days=1)), Verdict.SUSPECT),
    ],
)
def test_a_suspect_result_supports_what_found_the_same_lately(store, before, verdict):
    store.keep(before)

    assert judged(store, determination(NOW + LATER, 8.0))[0] is verdict


def test_a_ph_that_differs_more_than_a_tank_may_waits_though_the_alkalinity_agrees(store):
    before = first()
    store.keep(replace(before, ph_total=replace(before.ph_total, value=8.35)))

    assert judged(store, determination(NOW + LATER, 8.0)) == (Verdict.ACCEPTED, Verdict.SUSPECT)


def test_a_bench_that_has_accepted_one_needs_no_support(store):
    store.keep(determination(NOW, 7.0))

    assert judged(store, determination(NOW + LATER, 8.0)) == (Verdict.ACCEPTED, Verdict.ACCEPTED)


def test_a_provisional_value_and_one_of_a_reference_stay_as_they_are(store):
    provisional = determination(NOW, 8.0, Verdict.PROVISIONAL)
    reference = replace(determination(NOW, 8.0), source=Source.REFERENCE)

    assert supported(store, RULES, provisional) == provisional
    assert supported(store, RULES, reference) == reference
