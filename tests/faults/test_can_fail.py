"""The judge can fail: every invariant is violated by a scenario with a bug seeded, or with protection off, and seen."""

import pytest

from tests.faults.campaign import Case, fault, play
from tests.faults.judge import INVARIANTS
from tests.faults.seeded_bugs import BUGS, seeded


def case(*faults, seed=77, **more):
    return Case(seed, tuple(faults), **more)


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


LEAK_AND_KILL = case(at("leak", "fill", for_h=0.02), {"kind": "process-killed", "at_h": 1.5})
LEAK_AND_POWER_CUT = case(at("leak", "fill", for_h=0.02), {"kind": "power-cut", "at_h": 1.5})
NEVER_EMPTIED = case(at("clock-step", "idle", 60.0))
PASSING_LEAK = case({"kind": "leak", "at_h": 0.75, "for_h": 0.05})

SEEN_BY = [
    ("nothing spilled", ("guard", "permits", "proof of empty"), case(at("sample-pump-runaway", "rinse"))),
    (
        "what runs beside is bounded",
        ("guard", "permits"),
        case(at("sample-pump-runaway", "rinse"), at("tube-off", "rinse")),
    ),
    ("vessel within capacity", ("guard", "ledger", "proof of empty"), case(at("waste-line-blocked", "empty"))),
    ("no acid to the tank", ("hydraulics",), case(at("head-leak", "titrate", pump="sample"))),
    ("acid of a run within its ceiling", ("guard", "permits"), case(at("titrant-pump-runaway", "rinse"))),
    ("acid of a run within its ceiling", ("a drain without its tail",), NEVER_EMPTIED),
    ("acid of a day within its ceiling", ("guard", "permits"), case(at("titrant-pump-runaway", "rinse"))),
    ("trips within their deadline", ("guard",), case(at("leak", "empty"))),
    ("off after a death", ("permits", "safe-off"), case(at("process-killed", "empty"))),
    ("ledger bound held", ("ledger",), case(at("clock-step", "idle"))),
    ("ledger bound held", ("a cut motion is not booked",), case(at("leak", "fill", 20.0))),
    ("ledger bound held", ("half is booked",), case(at("clock-step", "idle"))),
    ("ledger bound held", ("empty is nothing",), case(at("clock-step", "idle"))),
    (
        "empty is proved before a restarted service adds",
        ("memory of stages",),
        case(at("process-killed", "titrate", 40.0)),
    ),
    ("a latched trip stays cut", ("cuts",), case(at("leak", "empty"))),
    ("a latched trip stays cut", ("latches forgotten at a start",), LEAK_AND_KILL),
    ("a latched trip stays cut", ("latches forgotten at a start",), LEAK_AND_POWER_CUT),
    ("a latched trip stays cut", ("latches cleared when saved",), LEAK_AND_KILL),
    ("no result accepted after a trip", ("latches forgotten at a start",), LEAK_AND_KILL),
    ("no result accepted after a trip", ("latches forgotten at a start",), LEAK_AND_POWER_CUT),
    ("no result accepted after a trip", ("latches end with their cause",), PASSING_LEAK),
    ("no record lost", ("records",), case(at("clock-step", "idle"))),
    ("no accepted lie", ("verdict",), case(at("titrant-pump-runaway", "titrate", 5.0))),
    ("told in time", ("interlocks are not told",), case(at("leak", "fill"))),
    ("told in time", ("told two minutes late",), case(at("leak", "fill"))),
    ("told of what is not harmless", ("alerts",), case(at("waste-line-blocked", "empty"))),
    ("the service goes on", ("loop",), case(at("clock-step", "idle"))),
]
BUILT = {"no acid to the tank": dipping}


def determinations_of(scenario):
    """Return how many are enough: what strikes in the second shows there, but for what comes after it, or adds up."""
    return 3 if scenario in (LEAK_AND_KILL, LEAK_AND_POWER_CUT, NEVER_EMPTIED) else 2


def test_every_invariant_is_shown_to_fail_and_every_bug_is_found():
    assert {invariant for invariant, _, _ in SEEN_BY} == set(INVARIANTS)
    assert {name for _, names, _ in SEEN_BY for name in names} >= set(BUGS)


@pytest.mark.parametrize(("invariant", "bugs", "scenario"), SEEN_BY, ids=lambda one: str(one).replace("'", ""))
def test_with_bug_or_protection_off_it_is_violated_and_seen(invariant, bugs, scenario):
    with seeded(*bugs):
        outcome = play(scenario, BUILT.get(invariant, as_it_is), determinations_of(scenario))

    assert invariant in outcome.violated, outcome


SOUND = {str(scenario): scenario for _, _, scenario in SEEN_BY}


@pytest.mark.parametrize("scenario", SOUND.values(), ids=str)
def test_without_a_bug_the_same_scenario_violates_nothing(scenario):
    assert play(scenario, determinations=determinations_of(scenario)).violated == {}
