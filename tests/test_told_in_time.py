"""What goes wrong is told within a minute, the cause before what follows from it, whatever the service does then."""

import threading
from dataclasses import replace
from datetime import timedelta

import pytest

from saltern.model.determination import Source
from saltern.model.ledger import Interval
from saltern.procedures.prompts import NobodyAnsweredError
from saltern.running import guided, prompting
from saltern.running.prompting import Prompting
from tests.keeper import keeper as at_the_bench

WITHIN_S = 60.0


@pytest.fixture
def keeper(monkeypatch):
    """A keeper at a bench whose service has just started; closed at the end. A question stands for 75 minutes."""
    monkeypatch.setattr(prompting, "PATIENCE_S", 4500.0)
    made = []

    def make(**known):
        made.append(at_the_bench(**known))
        return made[-1]

    yield make
    for hands in made:
        hands.stage.close()


def told(hands, code):
    """Return when each alert of a code was told, s."""
    return [alert.at_s for alert in hands.service.raised if alert.code == code]


def codes(hands):
    return [alert.code for alert in hands.service.raised]


def unanswered(hands):
    """Let a guided question stand until nobody has answered it for hours."""
    service = hands.service
    nobody = Prompting(service.bench, lambda kind, what: None)
    options = guided.options_of("calibrate-temperature", {})
    with pytest.raises(NobodyAnsweredError):
        guided.run(service, "calibrate-temperature", options, nobody, "nobody")
    service.round()


def wet_the_tray(hands):
    hands.world.leak_wet = True
    hands.stage.play.wires.pins.refresh_inputs()


def test_a_leak_while_a_question_stands(keeper):
    hands = keeper(seed=3)
    begun_s = hands.stage.clock.monotonic()
    hands.stage.clock.call_later(900.0, lambda: wet_the_tray(hands))
    unanswered(hands)

    (told_s,) = told(hands, "interlock-leak")
    assert told_s - (begun_s + 900.0) <= WITHIN_S


def test_a_trip_while_a_question_stands_outlives_a_power_cut(keeper):
    """The bench is at rest for an hour then, and no stage of it ends: the latch must not wait for one."""
    hands = keeper(seed=3)
    clock, store, kept = hands.stage.clock, hands.service.store, []
    clock.call_later(900.0, lambda: wet_the_tray(hands))
    clock.call_later(902.0, lambda: kept.extend(store.load_latches()))
    unanswered(hands)

    assert kept == ["leak"]


def test_an_overfill_in_a_determination_is_told_before_the_void_result(keeper):
    hands = keeper(
        seed=3,
        scenario={
            "fault": [
                {"kind": "overfill-switch-wire-broken", "at_phase": "titrate", "determination": 1, "after_s": 30.0}
            ]
        },
    )
    hands.service.measure(Source.TANK)
    hands.service.round()

    (event,) = [event for event in hands.service.interlock_history if event.row.name == "overfill"]
    (told_s,) = told(hands, "interlock-overfill")
    assert told_s - event.at_s <= 1.0
    assert codes(hands).index("interlock-overfill") < codes(hands).index("determination-void")


def test_a_full_container_in_a_determination_is_told_before_the_void_result(keeper):
    fault = {"kind": "waste-full", "at_phase": "titrate", "determination": 1, "after_s": 30.0}
    hands = keeper(seed=3, scenario={"fault": [fault]})
    hands.service.measure(Source.TANK)
    hands.service.round()

    event = next(event for event in hands.service.interlock_history if event.row.name == "waste-full")
    assert 0.0 <= told(hands, "interlock-waste-full")[0] - event.at_s <= WITHIN_S
    assert codes(hands).index("interlock-waste-full") < codes(hands).index("determination-void")


def test_what_the_next_drain_clears_is_no_alert(keeper):
    """A bench that starts for the first time knows nothing of its vessel, and proves it in its first determination."""
    hands = keeper(seed=3)
    hands.service.look()
    for _ in range(20):
        hands.service.round()

    assert "volume-bound" in {event.row.name for event in hands.service.interlock_history}
    assert codes(hands) == ["proof-due"]


def test_a_permissive_that_lasts_is_told_at_rest(keeper):
    hands = keeper(seed=3)
    hands.service.operator(["hold", "6"])  # nothing is due: the vessel stays unproved
    begun_s = hands.stage.clock.monotonic()
    while hands.stage.clock.monotonic() < begun_s + 90.0:
        hands.service.round()

    (told_s,) = told(hands, "interlock-volume-bound")
    assert told_s - begun_s <= WITHIN_S


def test_a_heartbeat_comes_at_its_time_while_a_question_stands(keeper):
    hands = keeper(seed=3)
    at = hands.stage.clock.now() + timedelta(minutes=30)
    service = hands.service
    alerts = service.config.alerts.model_copy(update={"heartbeat": at.time()})
    service.reload(service.file.model_copy(update={"alerts": alerts}))
    zone_s = hands.stage.clock.monotonic() + 1800.0
    unanswered(hands)

    assert min(abs(told_s - zone_s) for told_s in told(hands, "heartbeat")) <= WITHIN_S


def test_no_result_titrant_low_and_dry_probes_come_at_their_time_while_a_question_stands(keeper):
    hands = keeper(seed=3)
    service, begun_s = hands.service, hands.stage.clock.monotonic()
    alerts = service.config.alerts.model_copy(update={"no_result_h": 1.0})
    service.reload(service.file.model_copy(update={"alerts": alerts}))

    def drink():
        service.bench.account.ledger = replace(service.bench.ledger, titrant_left_ml=Interval(5.0, 6.0))

    hands.stage.clock.call_later(600.0, drink)
    unanswered(hands)

    (no_result_s,) = told(hands, "no-result")
    assert no_result_s - (begun_s + 3600.0) <= WITHIN_S
    (low_s,) = told(hands, "titrant-low")
    assert low_s - (begun_s + 600.0) <= WITHIN_S


def test_what_stands_is_repeated_at_its_time_while_a_question_stands(keeper):
    hands = keeper(seed=3)
    service = hands.service
    alerts = service.config.alerts.model_copy(update={"repeat_h": 1.0})
    service.reload(service.file.model_copy(update={"alerts": alerts}))
    wet_the_tray(hands)
    service.round()
    unanswered(hands)

    first, *again = told(hands, "interlock-leak")
    assert again
    assert all(abs(at_s - first - 3600.0 * k) <= WITHIN_S for k, at_s in enumerate(again, start=1))


def test_probes_that_stand_dry_are_told_of_at_their_time_while_a_question_stands(keeper):
    hands = keeper(seed=9)
    service = hands.service
    sample = service.config.sample.model_copy(update={"dry_out_h": 1.0})
    service.bench.config = service.config.model_copy(update={"sample": sample})

    def stop_when_empty(step):
        if step.phase.startswith("permit of sample"):
            service.bench.request_stop()

    service.watcher = stop_when_empty
    service.measure(Source.TANK)
    service.watcher = lambda step: None
    service.bench.clear_stop()
    dry_s = hands.stage.clock.monotonic()
    unanswered(hands)

    (told_s,) = told(hands, "probes-dry")
    assert told_s - (dry_s + 3600.0) <= WITHIN_S


@pytest.mark.parametrize("kind", ["serial-silent", "ph-disconnected"])
def test_a_board_that_falls_silent_at_rest(keeper, kind):
    hands = keeper(seed=4, scenario={"fault": [{"kind": kind, "at_h": 0.2}]}, bench=None)
    clock, service = hands.stage.clock, hands.service
    while clock.monotonic() < 0.2 * 3600.0 + 120.0:
        service.round()

    heard = [a.at_s for a in service.raised if a.code.startswith(("interlock-", "absent-"))]
    assert heard
    assert heard[0] - 0.2 * 3600.0 <= WITHIN_S


@pytest.mark.parametrize("kind", ["disk-full", "disk-readonly"])
def test_a_disk_that_takes_nothing_at_rest_and_takes_again(keeper, tmp_path, kind):
    fault = {"kind": kind, "at_h": 0.5, "for_h": 0.1}
    hands = keeper(seed=4, scenario={"fault": [fault]}, records=str(tmp_path / "saltern.sqlite"))
    clock, service = hands.stage.clock, hands.service
    while clock.monotonic() < 0.5 * 3600.0 + 90.0:
        service.round()
    assert 0.0 <= told(hands, "disk-full")[0] - 0.5 * 3600.0 <= WITHIN_S
    while clock.monotonic() < 0.6 * 3600.0 + 90.0:
        service.round()
    assert "disk-full" not in {alert.code for alert in service.alerting.standing}


def test_outlets_see_an_alert_while_a_pump_turns_and_the_records_get_it_at_rest_under_the_same_number(keeper, tmp_path):
    hands = keeper(seed=3, records=str(tmp_path / "saltern.sqlite"))
    service, store = hands.service, hands.service.store
    kept = "SELECT id FROM alert WHERE code = 'a-test'"
    before, seen = newest_of(store), []

    def look():
        found = [(number, alert.code) for number, alert in store.alerts_after(before, 100)]
        seen.append((found, hands.world.volume_ml(), len(store.rows(kept))))

    def in_the_fill(step):
        if step.phase == "fill" and not seen:
            hands.stage.clock.call_later(3.0, lambda: service.alerting.alert("a-test", "a test"))
            hands.stage.clock.call_later(3.5, look)
            hands.stage.clock.call_later(4.0, look)

    service.watcher = in_the_fill
    service.measure(Source.TANK)

    (found, volume_ml, kept_then), (_, volume_later_ml, kept_later) = seen
    assert volume_later_ml > volume_ml
    assert kept_then == kept_later == 0
    (number,) = [number for number, code in found if code == "a-test"]
    assert [row["id"] for row in store.rows(kept)] == [number]


def newest_of(store):
    return max((number for number, _ in store.alerts_after(0, 100_000)), default=0)


def test_a_disk_that_hangs_keeps_no_alert_from_the_outlets(keeper, tmp_path):
    """A transaction that does not end holds the records; outlets read memory."""
    hands = keeper(seed=3, records=str(tmp_path / "saltern.sqlite"))
    service, store = hands.service, hands.service.store
    before = newest_of(store)
    assert store.acknowledged("a-listener", "alert") == before
    wet_the_tray(hands)
    hands.stage.clock.sleep(1.0)
    hangs, goes_on, heard = threading.Event(), threading.Event(), threading.Event()

    def hang():
        with store.writing("something slow"):
            hangs.set()
            goes_on.wait(60.0)

    def listen():
        while not heard.wait(0.01):
            for number, alert in store.alerts_after(store.acknowledged("a-listener", "alert"), 100):
                store.acknowledge("a-listener", "alert", number)
                if alert.code == "interlock-leak":
                    heard.set()

    threads = [threading.Thread(target=act) for act in (hang, listen, service.bench.guard.scan)]
    threads[0].start()
    assert hangs.wait(30.0)
    for thread in threads[1:]:
        thread.start()
    try:
        assert heard.wait(30.0)
    finally:
        heard.set()
        goes_on.set()
        for thread in threads:
            thread.join()


def test_alerts_that_the_disk_does_not_take_are_bounded_and_the_newest_stay(keeper, tmp_path):
    hands = keeper(seed=3, records=str(tmp_path / "saltern.sqlite"))
    store = hands.service.store
    store.rows("PRAGMA query_only = ON")
    for number in range(3000):
        hands.service.alerting.alert(f"code-{number}", "text")
    numbered = store.alerts_after(newest_of(store) - 10, 100_000)
    assert [alert.code for _, alert in numbered] == [f"code-{number}" for number in range(2990, 3000)]
    store.rows("PRAGMA query_only = OFF")
    hands.service.round()
    kept = {row["id"]: row["code"] for row in store.rows("SELECT id, code FROM alert")}
    assert len(kept) < 2100
    assert all(kept[number] == alert.code for number, alert in numbered)
