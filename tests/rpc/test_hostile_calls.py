"""Whatever is sent, the bench lives: no call ends the service, and each is told what is wrong and what to do."""

from collections import Counter

import pytest
import structlog

from saltern.model.calibration import Kind
from saltern.records import calibrations
from saltern.rpc import protocol
from saltern.rpc.protocol import json_schema
from saltern.rpc.replies import REPLIES
from saltern.running import guided
from tests.rpc.hostile import Life, calls
from tests.sizes import sizes

SEED = 14
FOR_NOTHING = (protocol.INVALID_REQUEST, protocol.INVALID_PARAMS)


@pytest.fixture
def life(tmp_path):
    with Life(tmp_path / "life") as begun:
        yield begun


def code_of(answer):
    return answer["error"]["code"] if "error" in answer else 0


def is_told(answer):
    """Return whether an error says what is wrong, where, and what to do."""
    told = answer["error"]["data"]
    return all(told[key].strip() for key in ("what", "where", "remedy")) and len(answer["error"]["message"]) < 3000


@pytest.mark.parametrize("count", sizes(250, in_soak=5000))
def test_no_call_ends_the_service_and_each_is_answered(life, count):
    answered, methods = Counter(), Counter()
    for method, params, stopped_after_s in calls(SEED, count):
        answer = life.call(method, params, stopped_after_s)
        assert "result" in answer or is_told(answer), (method, params, answer)
        assert "the program failed" not in str(answer), (method, params, answer)
        if "result" in answer:
            REPLIES[method].model_validate(answer["result"])
        assert not calibrations.taken_up(life.service.file, life.service.store).aside, (method, params)
        answered[code_of(answer)] += 1
        methods[method] += 1

    assert set(methods) == set(protocol.METHODS) == set(REPLIES)
    assert count - sum(answered[code] for code in FOR_NOTHING) > count / 3
    assert answered[0] > count / 5
    assert life.stops
    assert all("result" in answer for answer in life.stops)
    assert "program-fault" not in {alert.code for alert in life.service.raised}
    assert "the program failed" not in str(life.ended)
    assert not life.service.bench.ledger.stage


@pytest.mark.parametrize(
    ("method", "params"),
    [
        ("guide", {"procedure": "standardise", "options": {"alkalinity_umol_kg": 2200, "u_umol_kg": 2, "times": 0}}),
        ("guide", {"procedure": "change-bottle", "options": {"expires": "2026-13-40"}}),
        ("guide", {"procedure": "change-bottle", "options": {"mol_per_l": 50}}),
        ("guide", {"procedure": "calibrate-conductivity", "options": {"standards": ["abc"]}}),
        ("guide", {"procedure": "calibrate-conductivity", "options": {"standards": []}}),
        ("guide", {"procedure": "calibrate-ph", "options": {"buffers": ["²"]}}),
        ("guide", {"procedure": "calibrate-ph", "options": {"buffers": ["phosphate", "6.9"]}}),
        ("guide", {"procedure": "standardise", "options": {"alkalinity_umol_kg": 1e308, "u_umol_kg": 2}}),
        ("guide", {"procedure": "nothing of ours"}),
        ("roll-back", {"kind": "titrant", "number": 10**30}),
        ("roll-back", {"kind": "titrantt", "number": 1}),
        ("operate", {"words": ["hold", "²"]}),
        ("operate", {"words": ["hold", "nan"]}),
        ("operate", {"words": ["bypass", "clock", "٣", "why"]}),
        ("operate", {"words": ["proved", "no such interlock", "passed", "ada"]}),
        ("log", {"entry": {"kind": "dose", "chemical": "soda", "amount": 1e308}}),
        ("log", {"entry": {"kind": "test", "quantity": "ph", "value": 1e308, "method": "colour"}}),
        ("log", {"entry": {"kind": "test", "quantity": "other", "value": float("nan"), "method": "colour"}}),
        ("log", {"entry": {"kind": "remark", "text": "x" * 501}}),
        ("log", {"entry": {"kind": "remark", "text": "a coral"}, "at": "9999-12-31T23:59:59-14:00"}),
        ("log", {"entry": {"kind": "remark", "text": "a coral"}, "at": "0001-01-01T00:00:00+14:00"}),
        ("condition", {"name": "x" * 501, "holds": True}),
        ("condition", {"name": "lights", "holds": True, "x" * 10_000: 1}),
    ],
)
def test_what_is_out_of_bounds_is_refused_and_nothing_begins(life, method, params):
    ledger = life.service.bench.ledger
    answer = life.call(method, params)

    assert is_told(answer), answer
    assert not life.ended
    assert life.service.bench.ledger == ledger
    assert "result" in life.call("status", {})


def test_a_guided_procedure_that_nobody_can_do_here_is_refused_before_anything_moves(life):
    options = {"alkalinity_umol_kg": 2200.0, "u_umol_kg": 2.0, "by_hand": False}
    ledger = life.service.bench.ledger
    life.call("guide", {"procedure": "standardise", "options": options})

    assert "no reference at an inlet of its own" in life.ended[0]["error"]["what"]
    assert life.service.bench.ledger == ledger


def test_an_id_that_json_does_not_have_is_refused(life):
    life._number = float("inf")  # as 1e999 reads
    assert code_of(life.call("status", {})) == protocol.INVALID_REQUEST


def test_what_is_wrong_is_told_once_and_in_words(life):
    standards = {"procedure": "calibrate-conductivity", "options": {"standards": ["35", "abc"]}}
    number = {"entry": {"kind": "test", "quantity": "ph", "value": float("nan"), "method": "colour"}}

    told = life.call("guide", standards)["error"]["data"]["what"]
    assert told.startswith("standards.1: it is neither a practical salinity from 2 to 42")
    assert ";" not in told
    assert "finite number" in life.call("log", number)["error"]["data"]["what"]


@pytest.mark.parametrize("name", guided.PROCEDURES)
def test_the_options_of_a_procedure_are_closed_bounded_and_published(name):
    schema = json_schema(guided.schemas())["procedures"][name]

    assert schema["additionalProperties"] is False
    for option, one in schema.get("properties", {}).items():
        choices = one.get("anyOf", [one])
        bounded = ("maximum", "exclusiveMaximum", "enum", "const", "maxLength", "maxItems", "pattern")
        assert all(any(b in c for b in bounded) or c["type"] in ("boolean", "null") for c in choices), option


@pytest.mark.parametrize("kind", [ZeroDivisionError, RecursionError, "misuse"])
def test_a_fault_of_the_program_is_answered_told_and_logged_and_the_service_goes_on(life, kind):
    from saltern.ports import MisuseError

    error = MisuseError("more than there is", where="pump", remedy="Ask for less") if kind == "misuse" else kind("oh")

    def fails():
        life.service.bench.stir(1.0)
        raise error

    life.service.reload = lambda new: fails()
    logs = structlog.testing.LogCapture()
    life.service._log = structlog.wrap_logger(
        None, processors=[logs], wrapper_class=structlog.make_filtering_bound_logger(0)
    )
    answer = life.call("reload", {})

    assert code_of(answer) == protocol.FAILED
    assert "the program failed" in answer["error"]["data"]["what"]
    assert "service's log" in answer["error"]["data"]["remedy"]
    assert [log["exc_info"] for log in logs.entries if log["event"] == "command.failed"] == [error]
    assert [alert.code for alert in life.service.raised][-1] == "program-fault"
    assert life.hands.world.stirrer == 0.0
    assert "result" in life.call("operate", {"words": ["reset"]})


def test_an_outcome_that_no_bench_could_run_with_is_refused_and_its_readings_are_kept(life, monkeypatch):
    def out_of_bounds(service, guide, options):
        return guided.Calibration(Kind.TITRE, {"titre.factor": 50.0}, "factor 50", readings=({"raw": 44.0},))

    sound = guided.PROCEDURES["calibrate-temperature"]
    monkeypatch.setitem(guided.PROCEDURES, "calibrate-temperature", guided.Guided(sound.options, out_of_bounds))
    life.call("guide", {"procedure": "calibrate-temperature"})

    assert "no bench could run with this outcome" in life.ended[0]["error"]["what"]
    (kept,) = calibrations.history(life.service.store)
    assert (kept.outcome, kept.readings) == ("refused", ({"raw": 44.0},))
    assert calibrations.in_force(life.service.store) == {}


def test_a_bottle_that_no_bench_could_run_with_is_refused_before_it_is_opened(life):
    ledger = life.service.bench.ledger
    life.service.file = life.service.file.model_copy(
        update={"titrant": life.service.file.titrant.model_copy(update={"bottle_ml": -1.0})}
    )
    life.call("guide", {"procedure": "change-bottle", "options": {"mol_per_l": 0.05}})

    assert "no bench could run with this bottle" in life.ended[0]["error"]["what"]
    assert life.service.bench.ledger == ledger
