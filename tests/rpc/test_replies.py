"""Every reply is what its published schema says: also of a bench that has measured, is asked, and is wrong."""

import json

import pytest
from pydantic import ValidationError

from saltern.model.determination import Source
from saltern.records.opening import open_for_reading
from saltern.rpc import protocol
from saltern.rpc.replies import REPLIES
from saltern.running.remote import Remote
from tests.keeper import keeper


@pytest.fixture
def life(tmp_path):
    hands = keeper(seed=3, records=str(tmp_path / "saltern.sqlite"))
    reader = open_for_reading(tmp_path / "saltern.sqlite", hands.stage.clock)
    yield hands, Remote(hands.service, reader, list)
    reader.close()
    hands.stage.close()


def demand(method, answer):
    """Hold an answer, as the wire carries it, against the model that its published schema comes from."""
    REPLIES[method].model_validate_json(json.dumps(answer))


def test_a_status_in_a_run_after_it_and_with_trouble(life):
    hands, remote = life
    service, seen = hands.service, []
    service.watcher = lambda step: seen.append(remote.status_now()) if len(seen) < 200 else None
    service.measure(Source.TANK)
    hands.world.leak_wet = True
    hands.stage.play.wires.pins.refresh_inputs()
    service.round()
    service.operator(["hold", "2"])
    service.operator(["bypass", "clock", "1", "a test"])
    found = remote.status_now()

    assert any(status["running"]["points"] for status in seen)
    assert found["last"]["alkalinity"]["verdict"] == "accepted"
    assert {row["name"] for row in found["interlocks"]} == {"leak"}
    for status in [seen[0], seen[-1], found]:
        demand("status", status)
    for method in ("hello", "schedule", "results", "trials", "calibrations"):
        demand(method, remote.handlers()[method](protocol.METHODS[method]()))


def test_a_reply_with_a_word_that_the_schema_does_not_know_is_seen(life):
    _, remote = life
    with pytest.raises(ValidationError, match="surprise"):
        demand("hello", {**remote.handlers()["hello"](protocol.Nothing()), "surprise": 1})


def test_every_method_has_a_reply_and_none_takes_unknown_words():
    assert set(REPLIES) == set(protocol.METHODS)
    assert all(model.model_json_schema()["additionalProperties"] is False for model in REPLIES.values())
