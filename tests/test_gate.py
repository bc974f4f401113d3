"""One gate for liquid: whatever asks, nothing is pumped over a beaker, into a hand, or through lines nobody tried."""

import pytest

from saltern.bench.gate import COMMISSIONED, FORBIDS, HANDS, Hindrance, Purpose
from saltern.bench.proof import trials
from saltern.config.loading import bench_from
from saltern.errors import InterlockError, SalternError
from saltern.model.determination import Source
from saltern.records.opening import open_store
from saltern.records.store import IN_MEMORY
from saltern.records.upkeep import keep_proof, keep_state, state
from saltern.running.commissioning import commissioned, keep_what_was_in_use
from tests.keeper import keeper
from tests.twin_bench import MemoryStore, TwinBench, bench_table

HOUR_S = 3600.0


def line_over_a_beaker():
    """Return a keeper whose calibration broke off, the sample line still over the beaker."""
    hands = keeper()
    hands.at_key = lambda key: hands.world.pumps["sample"].__setattr__("stalled", True) if key == "tare" else None
    with pytest.raises(SalternError):
        hands.run("calibrate-pump", pump="sample")
    hands.world.pumps["sample"].stalled = False
    hands.world.collecting["sample"] = 0.0
    return hands


def all_turned_s(hands):
    return {role: used.running_s for role, used in hands.service.bench.turned.items()}


@pytest.mark.parametrize("words", [["measure"], ["rinse"], ["empty"]])
def test_nothing_is_pumped_over_a_beaker_whoever_asks(words):
    hands = line_over_a_beaker()
    before = all_turned_s(hands)
    with pytest.raises(InterlockError, match="hold") as caught:
        hands.service.operator(words)

    assert caught.value.interlock == "hands"
    assert hands.world.collecting["sample"] == 0.0
    assert all_turned_s(hands) == before


def test_when_all_is_back_it_is_pumped_again():
    hands = line_over_a_beaker()
    hands.world.collecting.clear()
    hands.service.operator(["hold", "0"])
    hands.service.operator(["part", "emptied", "vessel"])
    hands.service.operator(["rinse"])

    assert hands.world.volume_ml() > 50.0


@pytest.mark.parametrize("words", [["measure"], ["rinse"]])
def test_a_parked_bench_draws_nothing_before_it_is_taken_up_again(words):
    hands = keeper()
    hands.run("park")
    before = all_turned_s(hands)
    with pytest.raises(InterlockError, match="resume"):
        hands.service.operator(words)

    assert all_turned_s(hands) == before


def test_no_scheduled_run_starts_while_a_proof_test_waits_with_fingers_in_the_vessel():
    hands = keeper()
    hands.service.operator(["proof-test", "begins"])
    hands.stage.play_until(600.0)
    with pytest.raises(InterlockError, match="proof test"):
        hands.service.operator(["measure"])
    with pytest.raises(InterlockError, match="proof test"):
        hands.run("prime", pump="sample", volume_ml=5.0)
    assert all_turned_s(hands) == {}
    hands.service.operator(["proof-test", "ends"])
    hands.stage.play_until(2.0 * HOUR_S)

    assert len(hands.service.store.results(5)) == 2  # the first of all is measured twice


def test_a_proof_test_whose_terminal_was_lost_does_not_hold_the_bench_for_good():
    hands = keeper()
    hands.service.operator(["proof-test", "begins"])
    hands.stage.play_until(2.0 * HOUR_S)

    assert len(hands.service.store.results(5)) == 2  # the first of all is measured twice


def test_under_a_trip_nothing_is_drawn_and_the_remedy_is_the_trips():
    hands = keeper()
    hands.world.leak_wet = True
    hands.stage.play.wires.pins.refresh_inputs()
    hands.service.bench.idle(5.0)
    with pytest.raises(InterlockError, match="dry the tray"):
        hands.service.operator(["measure"])

    assert all_turned_s(hands) == {}


# A bench that nobody has tried ----------------------------------------------------------


def new_bench():
    return keeper(scenario={"twin": {"commissioned": False}, "schedule": {"every_h": 4.0}})


def test_a_bench_that_is_not_commissioned_moves_nothing_by_itself_or_on_demand():
    hands = new_bench()
    hands.stage.play_until(5.0 * HOUR_S)
    assert hands.service.store.results(5) == []
    for words in (["measure"], ["rinse"], ["empty"]):
        with pytest.raises(InterlockError, match="not commissioned") as caught:
            hands.service.operator(words)
        assert "saltern commission" in caught.value.remedy

    assert all_turned_s(hands) == {}
    assert commissioned(hands.service.store, hands.service.config) is None
    assert "not-commissioned" in {alert.code for alert in hands.service.raised}


def test_a_guided_procedure_opens_the_gate_of_a_new_bench_for_itself_alone():
    hands = new_bench()
    hands.run("prime", pump="titrant", volume_ml=1.0)
    assert all_turned_s(hands)["titrant"] > 0.0

    with pytest.raises(InterlockError, match="not commissioned"):
        hands.service.operator(["measure"])


def test_commissioned_by_a_record_it_measures_and_says_by_whom():
    hands = new_bench()
    hands.service.operator(["commission", "the keeper", "tried every line with tank water"])
    hands.stage.play_until(2.0 * HOUR_S)

    assert len(hands.service.store.results(5)) == 2  # the first of all is measured twice
    assert commissioned(hands.service.store, hands.service.config)["who"] == "the keeper"


@pytest.fixture(scope="module")
def accepted():
    return TwinBench().determine()


@pytest.mark.parametrize(
    ("result", "proof", "counts"), [(True, True, True), (True, False, False), (False, True, False)]
)
def test_a_bench_that_was_in_use_before_counts_as_commissioned(result, proof, counts, accepted):
    """An accepted result, and every interlock seen to act."""
    twin = TwinBench()
    config = bench_from({**bench_table(), "wires": "gpio"}, where="test")
    store = open_store(IN_MEMORY, twin.clock)
    if result:
        store.keep(accepted)
    for trial in trials(config) if proof else ():
        keep_proof(store, trial.interlock, passed=True, who="x", at=twin.clock.now())
    keep_what_was_in_use(store, config, twin.clock.now())

    assert (commissioned(store, config) is not None) is counts
    assert isinstance(state(store, COMMISSIONED), dict) is counts


def test_what_was_said_of_a_bench_is_not_overridden_by_its_past(accepted):
    twin = TwinBench()
    config = bench_from({**bench_table(), "wires": "gpio"}, where="test")
    store = open_store(IN_MEMORY, twin.clock)
    store.keep(accepted)
    for trial in trials(config):
        keep_proof(store, trial.interlock, passed=True, who="x", at=twin.clock.now())
    keep_state(store, COMMISSIONED, False, twin.clock.now())
    keep_what_was_in_use(store, config, twin.clock.now())

    assert commissioned(store, config) is None


# In the bench itself --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("states", "match"),
    [
        ({"commissioned": False}, "not commissioned"),
        ({HANDS: "calibrate-pump"}, "did not come to its end"),
        ({"parked": "2026-01-01T00:00:00+00:00"}, "parked"),
    ],
)
def test_a_pump_that_nobody_went_through_the_gate_for_does_not_turn(states, match):
    """Whoever writes the next procedure and forgets to ask is refused as an operator would be."""
    twin = TwinBench()
    assert twin.bench.drain().proved
    before = dict(twin.bench.turned)
    twin.store.states.update(states)
    with pytest.raises(InterlockError, match=match), twin.bench.stage("fill", sample_ml=20.0):
        twin.bench.add("sample", 20.0)
    with pytest.raises(InterlockError, match=match):
        twin.bench.prove_cut("sample")

    assert twin.bench.turned == before


def test_what_is_begun_within_belongs_to_who_went_through():
    twin = TwinBench(store=MemoryStore(states={"commissioned": False}))
    with twin.bench.gate.through(Purpose.GUIDED), twin.bench.gate.through(Purpose.ASKED):
        assert twin.bench.drain().proved
    with pytest.raises(InterlockError, match="not commissioned"):
        twin.bench.drain()


def test_every_reason_keeps_a_scheduled_run_from_starting_and_a_drain_is_kept_by_no_trip():
    assert FORBIDS.keys() == set(Purpose)
    assert FORBIDS[Purpose.SCHEDULED] == set(Hindrance)
    assert Hindrance.TRIPPED not in FORBIDS[Purpose.DRAIN] | FORBIDS[Purpose.RECOVERY]
    assert [purpose for purpose in Purpose if Hindrance.PROOF_TEST not in FORBIDS[purpose]] == []
    assert {p for p in Purpose if Hindrance.HANDS not in FORBIDS[p]} == {Purpose.GUIDED, Purpose.RELIEF}


def test_a_hold_keeps_scheduled_starts_alone():
    hands = keeper()
    hands.service.operator(["hold", "6"])
    hands.service.look()
    hands.service.round()
    assert hands.service.store.results(1) == []
    hands.service.operator(["measure"])

    assert hands.service.store.results(1)[0][1].source is Source.TANK
