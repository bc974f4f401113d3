"""`saltern simulate` of a scenario that says something of its tank: the keys, the log, and values as they stood."""

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from saltern.cli.simulation import Stage, bench_of, load_scenario, run
from saltern.errors import ConfigError
from saltern.model.determination import Source
from saltern.model.logbook import Dose, OtherTest, WaterChange
from saltern.records.store import IN_MEMORY
from saltern.records.tank_history import known
from saltern.tank.advice import Withheld
from saltern.tank.findings import Ask, Cause, Whose
from tests.cli.command import run as saltern
from tests.sizes import sizes

SCENARIO = """
seed = 11
days = 3.0
[tank]
volume_l = 300.0
target_dkh = 7.5
consumption_dkh_per_day = 0.9
dosed_dkh_per_day = 0.8
[twin]
detail = "{detail}"
[twin.truth]
tank_volume_l = 330.0
dose_percent = 4.0
log_delay_h = 0.5
[keeper]
reference_every_d = 7.0
[[event]]
at_h = 20.5
kind = "dose"
dkh = 0.3
[[event]]
at_h = 28.5
kind = "water-change"
litres = 30.0
alkalinity_umol_kg = 2500.0
[[event]]
at_h = 36.5
kind = "dose"
dkh = 0.6
log = false
[[event]]
at_h = 60.0
kind = "dosing"
dkh_per_day = 1.2
"""
BEGIN = datetime(2026, 3, 2, tzinfo=UTC)
ESTIMATES = ("consumption_dkh_per_day", "net_dkh_per_day", "alkalinity_dkh")
FINDING = {
    "id", "at_h", "since_h", "is", "cause", "probability", "size", "unit", "supersedes", "ask", "cost_ml",
}  # fmt: skip


@pytest.fixture(scope="module", params=sizes("result", in_soak="wire"))
def played(request, tmp_path_factory):
    """Return what is printed, and the stage that it was played on, still open."""
    folder = tmp_path_factory.mktemp("reef")
    file = folder / "reef.toml"
    file.write_text(SCENARIO.replace("{detail}", request.param))
    scenario = load_scenario(file)
    stage = Stage(scenario, bench_of(scenario, folder), IN_MEMORY)
    stage.play_until(scenario.days * 86400.0 + 0.2)
    yield stage.reef.as_json(), stage
    stage.close()


def test_the_keys_are_those_of_the_interface_and_numbers_are_finite(played):
    tank, _ = played
    assert set(json.loads(json.dumps(tank, allow_nan=False))) == {"daily", "findings", "advice"}
    for number, day in enumerate(tank["daily"], start=1):
        assert set(day) == {"day", *ESTIMATES}
        assert day["day"] == number
        for name in ESTIMATES:
            assert set(day[name]) == {"value", "u", "truth"}
            assert (day[name]["value"] is None) == (day[name]["u"] is None)
    assert len(tank["daily"]) == 3
    for word in tank["advice"]:
        assert set(word) == {"at_h", "dose_dkh_per_day", "correction_dkh", "withheld_because"}
        if word["withheld_because"] is not None:
            assert word["withheld_because"] in set(Withheld)
            assert word["dose_dkh_per_day"] is word["correction_dkh"] is None
    assert {24.0, 48.0, 72.0} <= {word["at_h"] for word in tank["advice"]}


def test_a_value_stands_within_three_of_its_standard_uncertainties_of_the_truth(played):
    tank, _ = played
    third = tank["daily"][2]
    for name in ("consumption_dkh_per_day", "alkalinity_dkh"):
        assert third[name]["value"] == pytest.approx(third[name]["truth"], abs=3.0 * third[name]["u"]), name


def test_the_truth_is_what_the_scenario_asks_for(played):
    tank, stage = played
    days = tank["daily"]
    given = 0.8 / 1.1 * 1.04
    samples = sum(d.started_s < 86400.0 for d in stage.log.outcomes)
    taken = samples * 0.2 / 400.0 * 7.0  # each draws a fifth of a litre of some 7 dKH

    assert [day["consumption_dkh_per_day"]["truth"] for day in days] == pytest.approx([0.9] * 3)
    first = given + 0.3 / 1.1 * 1.04 - 0.9
    assert days[0]["net_dkh_per_day"]["truth"] == pytest.approx(first - taken, abs=0.015)


def test_a_dose_that_nobody_logged_is_the_one_finding(played):
    tank, _ = played
    (found,) = tank["findings"]

    assert set(found) == FINDING
    assert found["is"] in set(Whose)
    assert found["cause"] in set(Cause)
    assert found["ask"] is None or found["ask"] in set(Ask)
    assert (found["is"], found["cause"], found["unit"]) == ("tank", "dose-unlogged", "dKH")
    assert found["probability"] >= 0.9
    assert found["size"] == pytest.approx(0.6 / 1.1 * 1.04, abs=0.1)
    assert 31.0 < found["since_h"] < 37.0 < found["at_h"] < 46.0
    assert any(word["at_h"] == found["at_h"] for word in tank["advice"])


def test_what_the_keeper_logs_stands_in_the_records_at_its_own_time(played):
    _, stage = played
    store, clock = stage.computer.service.store, stage.clock
    logged = {type(each.entry): each for each in store.logged(BEGIN)}

    assert set(logged) == {Dose, WaterChange}  # the other dose is not there
    assert (logged[Dose].at - BEGIN).total_seconds() == pytest.approx(20.5 * 3600.0, abs=1.0)
    assert logged[WaterChange].entry.litres == 30.0
    found = known(store, stage.computer.service.config, stage.reef.table, clock.now())
    assert [each.dkh for each in found.history.doses] == pytest.approx([0.3])
    assert [each.dkh_per_day for each in found.history.doser] == pytest.approx([0.8, 1.2])
    assert [each.at_d for each in found.history.doser] == pytest.approx([0.0, 2.5], abs=1e-4)


def test_a_reference_reaches_the_model(played):
    _, stage = played
    found = known(stage.computer.service.store, stage.computer.service.config, stage.reef.table, stage.clock.now())
    (reference,) = found.history.references

    assert 2.0 < reference.at_d < 2.1
    assert abs(reference.excess) < 4.0 * reference.u < 0.01


def test_what_a_finding_asks_for_is_done(played):
    _, stage = played
    store, now_s = stage.computer.service.store, stage.clock.monotonic()
    before = len(stage.procedures), store.last_started(Source.TANK)
    for ask in (Ask.KIT_TEST, Ask.REFERENCE, Ask.REPEAT, Ask.WAIT):
        stage.reef.answer(ask)
    stage.play_until(now_s + 1.5 * 3600.0)
    tests = [each.entry for each in store.logged(BEGIN) if isinstance(each.entry, OtherTest)]

    assert len(stage.procedures) == before[0] + 1
    assert store.last_started(Source.TANK) > before[1]
    assert [each.value for each in tests] == [pytest.approx(stage.play.kit_test_dkh(), abs=2.0)]
    with pytest.raises(ConfigError, match="tris"):
        stage.reef.answer(Ask.TRIS)


def test_titrant_that_is_weaker_is_the_instruments_and_not_the_tanks(tmp_path):
    """All results are 5.3 % high: as far from the truth as a dose of 0.36 dKH, and the electrode's offset tells."""
    file = tmp_path / "weaker.toml"
    file.write_text(
        "seed = 5\ndays = 2.2\n[tank]\nvolume_l = 300.0\n"
        '[[fault]]\nkind = "titrant-wrong-strength"\nsize = -0.05\nat_h = 29.0\n'
    )
    (found,) = run(load_scenario(file), Path())["tank"]["findings"]

    assert (found["is"], found["unit"]) == ("instrument", "%")
    assert found["size"] == pytest.approx(5.26, abs=0.5)


def test_without_a_word_of_the_tank_the_lists_are_empty(tmp_path):
    file = tmp_path / "plain.toml"
    file.write_text("seed = 1\ndays = 0.1\n[tank]\nconsumption_dkh_per_day = 0.5\n")
    code, out, _ = saltern("simulate", file, "--json")

    assert code == 0
    assert json.loads(out)["tank"] == {"daily": [], "findings": [], "advice": []}


def test_nothing_is_said_of_days_without_a_result_that_is_trusted(tmp_path):
    """The electrode's plug is out from the morning of day 5 to that of day 8."""
    file = tmp_path / "unplugged.toml"
    file.write_text(
        'seed = 2\ndays = 9\n[twin]\ndetail = "result"\n[tank]\nvolume_l = 400.0\nconsumption_dkh_per_day = 1.0\n'
        'dosed_dkh_per_day = 1.0\n[[fault]]\nkind = "ph-disconnected"\nat_h = 102.0\nfor_h = 72.0\n'
    )
    daily = run(load_scenario(file), tmp_path)["tank"]["daily"]
    said = {day["day"] for day in daily if day["consumption_dkh_per_day"]["value"] is not None}

    assert {4, 5} <= said  # at the end of day 5 the last trusted result is less than a day old
    assert said.isdisjoint({6, 7})
    assert {8, 9} <= said
    assert all(day["consumption_dkh_per_day"]["truth"] > 0.0 for day in daily)


def test_an_event_that_lacks_its_size_is_refused_with_what_to_say(tmp_path):
    file = tmp_path / "wrong.toml"
    file.write_text('seed = 1\ndays = 1.0\n[[event]]\nat_h = 1.0\nkind = "dose"\n')
    code, _, err = saltern("simulate", file)

    assert code == 2
    assert "dose needs dkh" in err


@pytest.mark.soak
def test_a_tank_whose_keeper_follows_the_advice_comes_to_its_target(tmp_path):
    file = tmp_path / "obeys.toml"
    file.write_text(
        "seed = 7\ndays = 8.0\n[tank]\nvolume_l = 300.0\ntarget_dkh = 7.5\nwander_dkh_per_day = 0.03\n"
        "consumption_dkh_per_day = 0.9\ndosed_dkh_per_day = 0.7\n[keeper]\nfollows_advice = true\n"
    )
    daily = run(load_scenario(file), Path())["tank"]["daily"]

    assert daily[0]["alkalinity_dkh"]["truth"] < 7.1
    for day in daily[6:]:  # 1.2 dKH low on the third, raised by 0.7 a day at the most
        assert day["alkalinity_dkh"]["truth"] == pytest.approx(7.5, abs=0.15)
