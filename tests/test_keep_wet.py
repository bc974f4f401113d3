"""After a stop the probes are given fresh sample again by themselves, in good time, unless a trip forbids it."""

from saltern.model.determination import Source
from tests.keeper import keeper


def stopped_with_dry_probes(hands):
    """Stop a run just after it has emptied the vessel."""
    service = hands.service

    def stop_when_empty(step):
        if step.phase.startswith("permit of sample"):
            service.bench.request_stop()

    service.watcher = stop_when_empty
    d = service.measure(Source.TANK)
    service.watcher = lambda step: None
    assert d.alkalinity.verdict.value == "void"
    service.bench.clear_stop()


def let_pass(hands, hours):
    until_s = hands.stage.clock.monotonic() + 3600.0 * hours
    hands.service.bench.guard.bypass("proof-test", 1.0)
    while hands.stage.clock.monotonic() < until_s:
        hands.service.round()


def test_probes_left_dry_are_wetted_again_before_their_time_is_over():
    hands = keeper(seed=9)
    stopped_with_dry_probes(hands)
    dry_ml = hands.world.volume_ml()
    let_pass(hands, hours=4.0)

    assert hands.world.volume_ml() > 50.0 > dry_ml
    assert "probes-dry" not in {alert.code for alert in hands.service.raised}
    assert hands.stage.play.bound_held


def test_a_trip_forbids_it_and_the_alarm_comes():
    hands = keeper(seed=9)
    stopped_with_dry_probes(hands)
    hands.world.leak_wet = True
    hands.stage.play.wires.pins.refresh_inputs()
    let_pass(hands, hours=8.0)

    assert hands.world.volume_ml() < 50.0
    assert "probes-dry" in {alert.code for alert in hands.service.raised}


def test_hands_at_a_held_bench_forbid_it():
    hands = keeper(seed=9)
    stopped_with_dry_probes(hands)
    hands.service.operator(["hold", "6"])
    let_pass(hands, hours=4.0)

    assert hands.world.volume_ml() < 50.0


def test_a_held_schedule_starts_nothing_and_lets_go_by_itself():
    hands = keeper(seed=9)
    hands.service.operator(["hold", "2"])
    hands.service.look()
    hands.service.round()
    assert hands.service.store.results(1) == []
    hands.stage.clock.sleep(2.1 * 3600.0)
    hands.service.look()
    hands.service.round()
    assert len(hands.service.store.results(1)) == 1
    hands.service.operator(["hold", "50"])
    hands.service.operator(["hold", "0"])
    assert hands.service.held_until() is None
