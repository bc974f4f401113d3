"""What a broker hears of the tank: advice only where the keeper asks for it, within the bound, and for a time."""

import json
import re
import shutil
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from saltern.chemistry.alkalinity_unit import AlkalinityUnit
from saltern.clock import RealClock
from saltern.publish import mqtt
from saltern.publish.mqtt import Mqtt, MqttOutlet
from saltern.publish.tank_topics import BEYOND_BOUND, AdviceTable, advice_json, tank_json
from saltern.records.opening import open_store
from tests.nine_days import nine_days, shown
from tests.processes import until
from tests.publish.test_many_benches import Ear
from tests.publish.test_mqtt import broker

__all__ = ["broker"]

NAMES = ("name", "ml_per_day", "hold_ml_per_day")


@pytest.fixture(scope="module")
def tank(tmp_path_factory):
    return json.loads(json.dumps(shown(nine_days(tmp_path_factory.mktemp("bench")))["tank"]))


def test_advice_is_not_published_unless_the_bench_file_asks_for_it(tank):
    assert Mqtt(host="127.0.0.1").advice is None
    assert "advice" in tank
    assert "advice" not in tank_json(tank)
    assert tank_json(tank)["consumption"] == tank["consumption"]


def test_advice_says_what_the_tank_says_with_its_bound_and_its_end(tank):
    found, word = advice_json(tank, AdviceTable(most_dkh_per_day=3.0, valid_h=12.0)), tank["advice"]

    assert found["withheld_because"] is None
    assert found["dose_dkh_per_day"] == word["dose_dkh_per_day"] + word["correction_dkh_per_day"]
    assert found["hold_dkh_per_day"] == word["dose_dkh_per_day"]
    assert found["bounds"] == {"most_dkh_per_day": 3.0}
    at, until = (datetime.fromisoformat(found[key]) for key in ("at_utc", "valid_until_utc"))
    assert until - at == timedelta(hours=12)
    assert found["supplements"] == [{key: one[key] for key in NAMES} for one in word["supplements"]]


@given(st.floats(0.0, 4.0), st.floats(-2.0, 2.0), st.floats(0.01, 5.0))
def test_nothing_beyond_the_bound_is_published_now_or_later(tank, hold, more, most):
    word = {**tank["advice"], "dose_dkh_per_day": hold, "correction_dkh_per_day": more}
    found = advice_json({**tank, "advice": word}, AdviceTable(most_dkh_per_day=most))

    if max(hold, hold + more) > most:
        assert (found["withheld_because"], found["dose_dkh_per_day"], found["supplements"]) == (BEYOND_BOUND, None, [])
    else:
        assert found["dose_dkh_per_day"] <= most
        assert found["hold_dkh_per_day"] <= most


def test_withheld_advice_names_its_reason_and_no_dose(tank):
    word = {"dose_dkh_per_day": None, "correction_dkh": None, "withheld_because": "ph-high", "mend": "Let pH fall."}
    found = advice_json({**tank, "advice": word}, AdviceTable(most_dkh_per_day=1.0))

    assert found["withheld_because"] == "ph-high"
    assert found["dose_dkh_per_day"] is None
    assert found["supplements"] == []


@pytest.mark.parametrize("table", [{}, {"most_dkh_per_day": 0.0}, {"most_dkh_per_day": 1.0, "valid_h": 100.0}])
def test_a_table_without_a_sane_bound_is_refused(table):
    with pytest.raises(ValidationError):
        AdviceTable(**table)


@pytest.mark.skipif(shutil.which("mosquitto") is None, reason="mosquitto is not installed")
@pytest.mark.parametrize("advice", [None, {"most_dkh_per_day": 3.0}])
def test_a_broker_hears_the_tank_and_of_advice_only_what_was_asked_for(broker, tank, tmp_path, monkeypatch, advice):
    monkeypatch.setattr(mqtt, "LOOK_EVERY_S", 0.05)
    store, ear = open_store(tmp_path / "s.sqlite", RealClock()), Ear(broker.port)
    table = Mqtt(host="127.0.0.1", port=broker.port, advice=advice)
    out = MqttOutlet(table, "kelp-room", AlkalinityUnit.DKH, tmp_path, store, lambda: True)
    of_the_tank, of_advice = "saltern/kelp-room/tank", "saltern/kelp-room/advice"
    late = None
    try:
        out.update(shown(nine_days(tmp_path)))
        until(lambda: of_the_tank in ear.heard and (advice is None or of_advice in ear.heard))
        assert json.loads(ear.heard[of_the_tank]) == tank_json(tank)
        out.close()
        if advice is None:
            assert of_advice not in ear.heard
        else:
            until(lambda: ear.heard[of_advice] == "")  # taken away: a doser that comes later finds none
        late = Ear(broker.port)
        until(lambda: of_the_tank in late.heard)
        assert of_advice not in late.heard
    finally:
        for one in (ear, late):
            if one is not None:
                one.close()
        store.close()
        del out


@pytest.mark.skipif(shutil.which("mosquitto") is None, reason="mosquitto is not installed")
def test_a_unit_that_was_changed_is_announced_before_numbers_come_in_it(broker, tmp_path, monkeypatch):
    """`saltern reload` takes up another `alkalinity_unit`; the outlet goes on."""
    monkeypatch.setattr(mqtt, "LOOK_EVERY_S", 0.05)
    store, ear = open_store(tmp_path / "s.sqlite", RealClock()), Ear(broker.port)
    table = Mqtt(host="127.0.0.1", port=broker.port, discovery_prefix="saltern")
    out = MqttOutlet(table, "kelp-room", AlkalinityUnit.DKH, tmp_path, store, lambda: True)

    def announced():
        heard = ear.heard.get("saltern/device/saltern-kelp-room/config")
        return None if heard is None else json.loads(heard)["components"]["alkalinity"]["unit_of_measurement"]

    try:
        until(lambda: announced() == "dKH")
        out.update({**shown(nine_days(tmp_path)), "alkalinity_unit": "meq/L"})
        until(lambda: "saltern/kelp-room/status" in ear.heard)
        assert announced() == "meq/L"
        said = json.loads(ear.heard["saltern/kelp-room/status"])["newest"]["alkalinity"]
        assert said["as_read"]["unit"] == "meq/L"
        assert said["as_read"]["value"] == pytest.approx(said["dkh"] * 0.35663, rel=1e-4)
        out.close()
    finally:
        ear.close()
        store.close()
        del out


def test_every_topic_that_is_published_is_in_the_reference():
    source = Path(mqtt.__file__).read_text(encoding="utf-8")
    assert set(re.findall(r"\{self\._topic\}/(\w+)", source)) == set(mqtt.TOPICS)
