"""Two drains of one run against each other: what ran out shows, a new waste tube and a dry week do not."""

import numpy as np
import pytest

from saltern.quality.drain_witness import STOOD, TITRATED, DrainSeen, UsualDrains
from saltern.quality.history import LEAST_RESULTS

DAY_S = 86400.0


def drains(stood_ml=55.0, titrated_ml=95.0, tube=1.0, asked_ml=55.0):
    """Return the two drains of a run in which so much came out."""
    return (
        DrainSeen(STOOD, stood_ml / asked_ml / tube, asked_ml),
        DrainSeen("empty after rinse 1", 1.0, 17.0),
        DrainSeen(TITRATED, titrated_ml / 95.0 / tube, 95.0),
    )


def flagged(usual, *seen, begun_s=DAY_S / 6):
    return [finding.code for finding in usual.against(*seen, begun_s) if finding.flagged]


@pytest.fixture
def usual():
    random, found = np.random.default_rng(1), UsualDrains()
    for _ in range(12):
        found.learn(drains(55.0 * random.normal(1.0, 0.01), 95.0 * random.normal(1.0, 0.01)), 0.0)
    return found


def test_water_that_ran_out_at_rest_or_in_the_titration_shows(usual):
    assert flagged(usual, drains(stood_ml=48.0)) == ["drained-volume-differs"]
    assert flagged(usual, drains(titrated_ml=85.0)) == ["drained-volume-differs"]
    assert flagged(usual, drains()) == []


def test_a_waste_tube_is_in_both_drains(usual):
    assert flagged(usual, drains(tube=1.3)) == []
    assert flagged(usual, drains(stood_ml=48.0, tube=1.3)) == ["drained-volume-differs"]


def test_what_stood_for_a_week_may_have_evaporated(usual):
    assert flagged(usual, drains(stood_ml=35.0), begun_s=7 * DAY_S) == []
    assert flagged(usual, drains(stood_ml=35.0), begun_s=DAY_S) == ["drained-volume-differs"]


def test_another_volume_that_stood_is_not_held_against_the_usual(usual):
    """After `saltern empty` a little is filled to wet the probes; the cell's height counts for much in so little."""
    assert flagged(usual, drains(stood_ml=7.0, asked_ml=9.0)) == []


def test_too_short_a_past_says_nothing():
    few = UsualDrains()
    for _ in range(LEAST_RESULTS - 1):
        few.learn(drains(), 0.0)

    assert flagged(few, drains(stood_ml=20.0)) == []
