"""What stands outlives the process, says the newest number, comes again when it worsens, and is taken back in words."""

import random
from dataclasses import replace
from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest

from saltern.clock import VirtualClock
from saltern.config.loading import bench_from
from saltern.errors import StartupError
from saltern.model.alert import Severity
from saltern.model.determination import Determination, Source
from saltern.model.logbook import Dose
from saltern.model.verdict import Quantity, Reason, Verdict
from saltern.records.opening import open_store
from saltern.running.service import open_service
from saltern.running.standing_again import keep_acknowledged
from saltern_drivers.twin.scenario import Play, Scenario
from tests.twin_bench import bench_table

PER_DKH = 348.01
"""umol/kg at salinity 35 and 20 degC: 1 dKH is 0.35663 meq/L (10 mg/L CaO), seawater 1.02476 kg/L (published)."""

BANDS = {"low_dkh": 6.5, "high_dkh": 9.5, "low_salinity": 33.5, "high_ph": 8.45}


def determination(clock, dkh, *, verdict=Verdict.ACCEPTED, reasons=(), salinity=35.0, ph=8.05, own=4.0, **more):
    at_s = clock.monotonic()
    return Determination(
        source=Source.TANK,
        started_at=clock.now(),
        started_s=at_s,
        finished_s=at_s + 900.0,
        alkalinity=Quantity(dkh * PER_DKH, own, verdict, reasons),
        ph_total=Quantity(ph, 0.02, Verdict.ACCEPTED),
        salinity=Quantity(salinity, 0.1, Verdict.ACCEPTED),
        method="least-squares",
        temperature_c=25.0,
        budget_umol_kg={"curve": own},
        **more,
    )


class Life:
    """One bench whose service lives again and again on the same records; results are handed in as measured."""

    def __init__(self, folder, **changes):
        table = bench_table({"alerts": {**BANDS, **changes.pop("alerts", {})}, **changes})
        self.config = bench_from(table, where="test")
        self.clock, self.path = VirtualClock(), folder / "saltern.sqlite"
        self.begin()

    def begin(self):
        play = Play(Scenario(seed=4, days=1.0), self.config.model_dump(), self.clock)
        self.store = open_store(self.path, self.clock)
        self.service = open_service(self.config, play.wires, self.clock, self.store)
        self.before = len(self.service.raised)

    def end(self):
        self.store.keep_what_waits()
        self.service.bench.close()
        self.store.close()

    def restart(self, after_h=0.1):
        self.end()
        self.clock.sleep(after_h * 3600.0)
        self.begin()

    def result(self, dkh, after_h=4.0, **more):
        """Hand in a determination of the tank as `measure` does; return what was told of it."""
        self.clock.sleep(after_h * 3600.0)
        before, found = len(self.service.raised), determination(self.clock, dkh, **more)
        self.service.measuring.keep(found)
        self.service.measuring._raise_what_follows(found)
        return [alert for alert in self.service.raised[before:] if alert.code not in ("proof-due", "not-commissioned")]

    def standing(self):
        return {alert.code: alert for alert in self.service.alerting.standing}

    def passes(self, hours):
        """Let time pass at rest, scans and repeats included."""
        before = len(self.service.raised)
        end_s = self.clock.monotonic() + 3600.0 * hours
        while self.clock.monotonic() < end_s:
            self.clock.sleep(min(600.0, end_s - self.clock.monotonic()))
            self.service._scanned.look(self.clock.monotonic())
        return self.service.raised[before:]


@pytest.fixture
def life(tmp_path):
    lives = []

    def make(**changes):
        lives.append(Life(tmp_path, **changes))
        return lives[-1]

    yield make
    for one in lives:
        one.end()


def test_a_tank_below_its_band_stands_again_after_a_restart_and_is_not_told_anew(life):
    tank = life()
    tank.result(7.0)
    tank.result(6.3)
    tank.result(6.2)
    since = tank.standing()["alkalinity-low"].at
    tank.restart()

    stands = tank.standing()["alkalinity-low"]
    assert stands.at == since
    assert "6.20 dKH" in stands.text
    assert "alkalinity-low" not in {alert.code for alert in tank.service.raised}


def test_what_no_longer_holds_at_a_restart_does_not_stand(life):
    tank = life()
    tank.result(6.2)
    tank.result(7.4)
    tank.restart()
    assert "alkalinity-low" not in tank.standing()


def test_a_trouble_of_the_newest_determination_stands_again(life):
    tank = life()
    step = "step-unexplained: +1.7 dKH against the last"
    tank.result(9.0, verdict=Verdict.PROVISIONAL, reasons=(Reason.STEP_UNEXPLAINED,), remarks=(step,))
    tank.result(9.1, verdict=Verdict.VOID, reasons=(Reason.NO_RESPONSE,))
    tank.restart()
    assert "determination-void" in tank.standing()
    tank.result(9.0, verdict=Verdict.PROVISIONAL, reasons=(Reason.STEP_UNEXPLAINED,), remarks=(step,))
    tank.restart()
    assert tank.standing()["step-unexplained"].text.startswith("+1.7 dKH")
    assert "determination-void" not in tank.standing()


def test_a_repeat_after_a_restart_comes_when_it_would_have_come(life):
    tank = life(alerts={"repeat_h": 12.0, "no_result_h": 500.0})
    tank.result(6.2)
    tank.passes(8.0)
    tank.restart(after_h=1.0)
    assert "alkalinity-low" not in {alert.code for alert in tank.passes(2.5)}
    (again,) = [alert for alert in tank.passes(1.0) if alert.code == "alkalinity-low"]
    assert again.text.startswith("still, since ")


def test_each_time_in_what_is_said_is_by_the_clock_where_the_tank_is(life):
    """Auckland is thirteen hours ahead in March: an afternoon there is a night in Greenwich."""
    tank = life(alerts={"repeat_h": 12.0, "no_result_h": 500.0}, schedule={"time_zone": "Pacific/Auckland"})
    begun = tank.clock.now()
    tank.result(6.2)
    there = (begun + timedelta(hours=4.0)).astimezone(ZoneInfo("Pacific/Auckland"))
    (again,) = [alert for alert in tank.passes(12.5) if alert.code == "alkalinity-low"]
    tank.result(8.2)

    assert again.text.startswith(f"still, since {there:%a %d %b %H:%M}: ")
    assert not [alert.text for alert in tank.service.raised if "UTC" in alert.text]


def test_what_was_acknowledged_is_not_repeated_after_a_restart_unless_it_got_worse(life):
    tank = life(alerts={"repeat_h": 12.0, "no_result_h": 500.0, "act_low_dkh": 3.0})
    tank.result(6.2)
    tank.service.alerting.acknowledge("alkalinity-low")
    keep_acknowledged(tank.store, "alkalinity-low", tank.clock.now())
    tank.restart()
    assert "alkalinity-low" not in {alert.code for alert in tank.passes(30.0)}
    assert len(tank.result(5.5)) == 1
    tank.restart()
    assert "alkalinity-low" in {alert.code for alert in tank.passes(13.0)}


def test_no_result_for_a_day_is_told_however_often_the_service_starts_again(life):
    tank = life()
    tank.result(7.5)
    for _ in range(5):
        tank.restart(after_h=6.0)
    tank.passes(0.5)
    assert "no-result" in tank.standing()


def test_a_repeat_carries_the_newest_number(life):
    tank = life(alerts={"repeat_h": 12.0})
    tank.result(6.45)
    for dkh in (6.4, 6.35):
        assert tank.result(dkh) == []
    (again,) = [alert for alert in tank.passes(8.5) if alert.code == "alkalinity-low"]
    assert "6.35 dKH" in again.text
    assert "6.45" not in again.text


def test_it_is_told_again_at_once_when_it_is_worse_by_a_step_even_if_it_was_acknowledged(life):
    tank = life(alerts={"act_low_dkh": 4.0, "repeat_h": 100.0})
    tank.result(6.4)
    tank.service.alerting.acknowledge("alkalinity-low")
    assert tank.result(6.1) == []
    (worse,) = tank.result(5.85)
    assert worse.text.startswith("worse: alkalinity is 5.85 dKH")
    assert tank.result(5.7) == []
    assert len(tank.result(5.3)) == 1


def test_below_the_second_band_it_asks_to_act_now_and_is_said_once(life):
    tank = life()
    tank.result(6.0)
    told = tank.result(5.3)
    assert [(alert.code, alert.severity) for alert in told] == [("alkalinity-far-low", Severity.CRITICAL)]
    assert "below 5.50 dKH: act now" in told[0].text
    assert "alkalinity-low" not in tank.standing()
    told = tank.result(6.0)
    assert {alert.code for alert in told} == {"alkalinity-low", "withdrawn"}


def test_back_in_the_band_is_said_with_the_number(life):
    tank = life()
    tank.result(6.3)
    assert tank.result(6.505) == []  # inside by less than its uncertainty: it may be chance
    assert "alkalinity-low" in tank.standing()
    (over,) = tank.result(7.0)
    assert (over.code, over.severity) == ("withdrawn", Severity.NOTICE)
    assert "7.00 dKH" in over.text
    assert "alkalinity-low" in over.text


def test_the_text_says_slope_lowest_and_how_often_it_was_measured(life):
    tank = life(schedule={"time_zone": "Europe/Lisbon"})
    for dkh in (6.0, 7.2, 7.1, 7.0, 6.9, 6.8):
        tank.result(dkh)
    tank.result(6.3, verdict=Verdict.SUSPECT, reasons=(Reason.UNEXPECTED,))
    (told,) = [alert for alert in tank.result(6.31, after_h=0.3) if alert.code == "alkalinity-low"]
    at = tank.clock.now().astimezone(ZoneInfo("Europe/Lisbon"))

    assert f"6.31 dKH ({at:%H:%M})" in told.text
    assert " a day over the last day" in told.text
    assert "the lowest since " in told.text
    assert "measured twice" in told.text
    tank.result(6.2)
    assert tank.standing()["alkalinity-low"].text.endswith("measured once")


def test_a_jump_inside_the_band_that_was_measured_twice_is_told_as_one_and_taken_back_when_it_is_explained(life):
    tank = life(alerts={"high_dkh": 10.0})
    for _ in range(3):
        tank.result(7.6)
    before = tank.clock.now()
    tank.result(9.3, verdict=Verdict.SUSPECT, reasons=(Reason.UNEXPECTED,))
    (told,) = [alert for alert in tank.result(9.3, after_h=0.3) if alert.code == "alkalinity-rose"]

    assert told.severity is Severity.CRITICAL
    assert f"rose by 1.70 dKH since {before:%H:%M}" in told.text
    assert "measured twice: act now, is a doser stuck?" in told.text
    tank.restart()
    assert "alkalinity-rose" in tank.standing()
    tank.store.log(Dose(chemical="soda", amount=100.0), before + timedelta(hours=1))
    (over,) = [alert for alert in tank.result(9.25) if alert.code == "withdrawn"]
    assert "explained by the dose" in over.text


def test_a_jump_that_goes_back_is_taken_back_and_the_way_back_is_a_jump_of_its_own(life):
    tank = life(alerts={"high_dkh": 10.0})
    for dkh in (7.0, 7.0, 8.7, 8.7, 8.6):
        tank.result(dkh)
    assert "alkalinity-rose" in tank.standing()
    told = [*tank.result(6.9), *tank.result(6.9)]
    assert [alert.code for alert in told] == ["withdrawn", "alkalinity-fell"]
    assert "alkalinity-rose" in told[0].text
    assert "not there any more" in told[0].text
    assert told[1].text.startswith("alkalinity fell by 1.70 dKH")


def test_a_jump_that_stays_is_news_for_a_day(life):
    tank = life(alerts={"high_dkh": 10.0})
    for dkh in (7.0, 7.0, *[8.7] * 6):
        tank.result(dkh)
    (over,) = [alert for _ in range(4) for alert in tank.result(8.7)]
    assert (over.code, "stayed there for a day" in over.text) == ("withdrawn", True)
    assert "alkalinity-rose" not in tank.standing()


def test_a_jump_that_was_seen_once_is_not_called_one(life):
    tank = life(alerts={"high_dkh": 10.0})
    for _ in range(3):
        tank.result(7.6)
    assert "alkalinity-rose" not in {alert.code for alert in tank.result(8.9)}
    assert "alkalinity-rose" not in {alert.code for alert in tank.result(7.6)}


def test_what_the_tank_may_do_in_the_time_is_no_jump(life):
    tank = life(alerts={"high_dkh": 10.0})
    for dkh in (7.6, 7.8, 8.0, 8.2, 8.4, 8.6, 8.8):
        assert "alkalinity-rose" not in {alert.code for alert in tank.result(dkh)}


def test_a_false_alarm_is_taken_back_in_words(life):
    tank = life()
    tank.result(7.6)
    tank.result(5.6, verdict=Verdict.SUSPECT, reasons=(Reason.UNEXPECTED,))
    (over,) = tank.result(7.6, after_h=0.3)
    assert over.code == "withdrawn"
    assert "determination-suspect" in over.text
    assert "A false alarm: measured again it is 7.60 dKH" in over.text


def test_a_suspect_result_that_repeats_is_not_called_a_false_alarm(life):
    tank = life(alerts={"high_dkh": 12.0})
    tank.result(7.6)
    tank.result(8.0, verdict=Verdict.SUSPECT, reasons=(Reason.UNEXPECTED,))
    (over,) = tank.result(8.01, after_h=0.3)
    assert "The value is confirmed: measured again it is 8.01 dKH" in over.text
    assert "false alarm" not in over.text


def test_salinity_and_ph_have_bands_and_no_alert_where_their_value_is_not_believed(life):
    tank = life()
    told = tank.result(7.5, salinity=33.0, ph=8.6)
    assert {alert.code for alert in told} == {"salinity-low", "ph-high"}
    assert {alert.code for alert in tank.result(7.5)} == {"withdrawn"}
    tank.clock.sleep(3600.0)
    doubted = replace(
        determination(tank.clock, 7.5), salinity=Quantity(20.0, 0.1, Verdict.SUSPECT, (Reason.UNEXPECTED,))
    )
    tank.service.measuring.keep(doubted)
    tank.service.measuring._raise_what_follows(doubted)
    assert "salinity-low" not in tank.standing()


def test_numbers_are_in_the_keepers_unit(life):
    tank = life(alkalinity_unit="meq/L")
    (told,) = tank.result(6.0)
    assert "alkalinity is 2.140 meq/L" in told.text  # 6.0 dKH of 10 mg/L CaO, 56.077 g/mol (IUPAC): 2.1399 mmol/L
    assert "below 2.318 meq/L" in told.text


def test_the_band_of_the_tanks_table_counts_where_the_alerts_have_none(life):
    tank = life(
        alerts={"low_dkh": None, "high_dkh": None},
        tank={"volume_l": 300.0, "low_dkh": 7.0, "target_dkh": 8.0, "high_dkh": 9.0},
    )
    assert [alert.code for alert in tank.result(6.8)] == ["alkalinity-low"]


def test_limits_that_do_not_rise_are_refused():
    with pytest.raises(StartupError, match="do not rise"):
        bench_from(bench_table({"alerts": {"low_dkh": 6.0, "act_low_dkh": 7.0}}), where="test")


@pytest.mark.soak
def test_sixteen_days_of_a_tank_that_falls_are_told_line_by_line(life):
    """From 7.6 to 4.5 dKH with a jump of 1.7 for a day, salinity that sinks by 1.6, and a restart on day twelve."""
    tank = life(alerts={"low_salinity": 34.0})
    dice, told = random.Random(3), []
    for k in range(96):
        day = k / 6.0
        told += tank.passes(4.0)
        dkh = 7.6 - 3.1 * day / 16.0 + (1.7 if 20 <= k < 26 else 0.0) + dice.gauss(0.0, 0.012)
        salinity = 35.0 - 1.6 * day / 16.0
        if k == 20:
            told += tank.result(dkh, 0.0, verdict=Verdict.SUSPECT, reasons=(Reason.UNEXPECTED,), salinity=salinity)
        told += tank.result(dkh, 0.3 if k == 20 else 0.0, salinity=salinity)
        if k == 72:
            tank.restart()
            assert {"alkalinity-far-low", "salinity-low"} <= set(tank.standing())
    codes = [alert.code for alert in told]
    words = [alert.text for alert in told if alert.code.startswith("alkalinity-")]

    assert codes.index("alkalinity-rose") < codes.index("alkalinity-fell") < codes.index("alkalinity-low")
    assert codes.index("alkalinity-low") < codes.index("alkalinity-far-low")
    assert len(set(words)) == len(words)  # no repeat says an old number
    assert "no-result" not in codes
    assert any(text.startswith("worse: ") for text in words)
