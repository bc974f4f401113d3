"""The rooms of the service: a handler for each command, a scan after each, and one thread that writes."""

import threading
from concurrent.futures import Future

import pytest

from saltern.bench.gate import Purpose
from saltern.errors import InterlockError
from saltern.model.commands import COMMANDS
from saltern.model.determination import Source
from saltern.records.opening import open_for_reading
from saltern.rpc import protocol
from saltern.running.commands import HANDLERS
from saltern.running.remote import Remote
from tests.keeper import keeper as at_the_bench


@pytest.fixture
def hands(tmp_path):
    made = at_the_bench(seed=3, records=str(tmp_path / "saltern.sqlite"))
    yield made
    made.stage.close()


@pytest.fixture
def remote(hands, tmp_path):
    reader = open_for_reading(tmp_path / "saltern.sqlite", hands.stage.clock)
    yield Remote(hands.service, reader, list)
    reader.close()


def test_every_command_has_a_handler_and_no_handler_lacks_its_command():
    assert set(HANDLERS) == set(COMMANDS.values())


def test_what_acts_while_commands_wait_is_told_between_two_of_them(hands):
    service, told = hands.service, []

    def wet():
        hands.world.leak_wet = True
        hands.stage.play.wires.pins.refresh_inputs()
        hands.stage.clock.sleep(1.0)

    service.mailbox.put(wet)
    for _ in range(20):
        service.mailbox.put(lambda: told.append("interlock-leak" in {alert.code for alert in service.raised}))
    service.round()
    assert told == [True] * 20


def test_a_schedule_that_looks_while_the_bench_is_busy_fills_no_mailbox(hands):
    for _ in range(1000):
        hands.service.look()
    hands.service.mailbox.put(lambda: None)
    assert not hands.service.mailbox.empty()


ACTS = [
    ("log", protocol.LogParams(entry={"kind": "remark", "text": "a new coral"})),
    ("condition", protocol.ConditionParams(name="lights", holds=True)),
    ("away", protocol.AwayParams(days=3)),
    ("away", protocol.AwayParams(days=0)),
    ("alert-test", protocol.Nothing()),
    ("acknowledge", protocol.AcknowledgeParams(code="proof-due")),
]


@pytest.mark.parametrize(("method", "params"), ACTS)
def test_what_writes_is_done_in_the_control_thread(hands, remote, method, params, monkeypatch):
    wrote, writing = [], hands.service.store.writing
    monkeypatch.setattr(
        hands.service.store, "writing", lambda what: wrote.append(threading.current_thread()) or writing(what)
    )
    hands.service.round()
    wrote.clear()
    asked = []
    caller = threading.Thread(target=lambda: asked.append(remote.handlers()[method](params)))
    caller.start()
    caller.join()
    assert wrote == []
    (answer,) = asked
    assert isinstance(answer, Future)
    hands.service.round()
    assert answer.done()
    assert set(wrote) <= {threading.current_thread()}


def test_a_dose_is_written_down_while_a_determination_runs_and_not_while_a_pump_turns(hands, remote):
    service, written = hands.service, []

    def log(step):
        if step.phase == "measure" and not written:
            answer = remote.handlers()["log"](protocol.LogParams(entry={"kind": "remark", "text": "now"}))
            answer.add_done_callback(
                lambda _: written.append((service.running is not None, service.bench.guard.moving))
            )

    service.watcher = log
    service.measure(Source.TANK)
    assert written == [(True, False)]


def test_why_nothing_may_start_is_said_in_the_same_words_to_all_who_ask(hands, remote):
    rules, service = hands.service.start_rules, hands.service
    assert rules.refusal(Purpose.SCHEDULED) is None

    service.operator(["hold", "2"])
    assert rules.refusal(Purpose.ASKED) is None  # who asks is there
    assert "holds the schedule" in rules.refusal(Purpose.SCHEDULED).what
    service.hands_at_the_bench("calibrate-pump")
    refused = rules.refusal(Purpose.ASKED)
    with pytest.raises(InterlockError, match=refused.what):
        remote.handlers()["measure"](protocol.MeasureParams())
    assert remote.status_now()["start"]["refused"]["what"] == refused.what


def test_status_says_whether_one_may_start_and_why_not(hands, remote):
    assert remote.status_now()["start"]["refused"] is None
    hands.service.operator(["hold", "2"])
    start = remote.status_now()["start"]
    assert start["due"]
    assert "holds the schedule" in start["refused"]["what"]
    hands.service.operator(["hold", "0"])
    assert remote.status_now()["start"]["refused"] is None


def test_an_alert_in_status_says_what_it_is_and_what_to_do(hands, remote):
    hands.service.round()
    (proof,) = [alert for alert in remote.status_now()["alerts"] if alert["code"] == "proof-due"]
    assert proof["do"] == "Run `saltern proof-test`"


def test_repeats_carry_the_newest_value(hands):
    alerting, clock = hands.service.alerting, hands.stage.clock
    alerting.stands(True, "titrant-low", "titrant for about 3 days is left")
    clock.sleep(3600.0)
    alerting.stands(True, "titrant-low", "titrant for about 2 days is left")
    alerting.repeat(clock.now(), clock.monotonic(), 1800.0)
    texts = [alert.text for alert in alerting.raised if alert.code == "titrant-low"]
    assert texts[0] == "titrant for about 3 days is left"
    assert len(texts) == 2
    assert texts[1].endswith("titrant for about 2 days is left")
