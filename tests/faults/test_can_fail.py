"""The campaign can fail: with protection off, every invariant is violated by a scenario, and seen to be."""

import pytest

from tests.faults.campaign import INVARIANTS, Case, fault, play
from tests.faults.layers import without


def case(*faults, **more):
    return Case(77, tuple(faults), **more)


def at(kind, phase, after_s=2.0, pump=None, for_h=None, **more):
    return {**fault(kind, phase, after_s, for_h, pump), **more}


def as_it_is(config):
    return config


def dipping(config):
    """Hydraulics off, validation and all: the sample line's end dips into the vessel."""
    line = config.pumps.sample.line.model_copy(update={"outlet_mm": 20.0})
    sample = config.pumps.sample.model_copy(update={"line": line})
    drawn = config.sample.model_copy(update={"air_break_ml": 0.0})
    return config.model_copy(update={"pumps": config.pumps.model_copy(update={"sample": sample}), "sample": drawn})


SEEN_BY = {
    "nothing spilled": (("guard", "permits", "proof of empty"), case(at("sample-pump-runaway", "rinse")), as_it_is),
    "vessel within capacity": (
        ("guard", "ledger", "proof of empty"),
        case(at("waste-line-blocked", "empty")),
        as_it_is,
    ),
    "no acid to the tank": (("hydraulics",), case(at("head-leak", "titrate", pump="sample")), dipping),
    "acid of a run within its ceiling": (
        ("guard", "permits"),
        case(at("titrant-pump-runaway", "rinse")),
        as_it_is,
    ),
    "acid of a day within its ceiling": (
        ("guard", "permits"),
        case(at("titrant-pump-runaway", "rinse")),
        as_it_is,
    ),
    "trips within their deadline": (("guard",), case(at("leak", "empty")), as_it_is),
    "off after a death": (("permits", "safe-off"), case(at("process-killed", "empty")), as_it_is),
    "ledger bound held": (("ledger",), case(at("clock-step", "idle")), as_it_is),
    "empty is proved before a restarted service adds": (
        ("memory of stages",),
        case(at("process-killed", "titrate", 40.0)),
        as_it_is,
    ),
    "a latched trip stays cut": (("cuts",), case(at("leak", "empty")), as_it_is),
    "no record lost": (("records",), case(at("clock-step", "idle")), as_it_is),
    "no accepted lie": (("verdict",), case(at("titrant-pump-runaway", "titrate", 5.0)), as_it_is),
    "told of what is not harmless": (("alerts",), case(at("waste-line-blocked", "empty")), as_it_is),
    "the service goes on": (("loop",), case(at("clock-step", "idle")), as_it_is),
}


def test_every_invariant_is_shown_to_fail_by_some_scenario():
    assert set(SEEN_BY) == set(INVARIANTS)


@pytest.mark.parametrize("invariant", INVARIANTS)
def test_with_protection_off_it_is_violated_and_seen(invariant):
    layers, scenario, build = SEEN_BY[invariant]
    with without(*layers):
        outcome = play(scenario, build)

    assert invariant in outcome.violated, outcome


@pytest.mark.parametrize("invariant", INVARIANTS)
def test_with_protection_on_the_same_scenario_violates_nothing(invariant):
    _, scenario, _ = SEEN_BY[invariant]

    assert play(scenario).violated == {}
