"""What is counted and does not come is not accepted; whole runs on the twin, each with a volume that is wrong."""

import pytest

from saltern.cli.simulation import run
from saltern.config.loading import with_values
from saltern.model.determination import Source
from saltern_drivers.twin.scenario import Scenario
from tests.keeper import keeper
from tests.test_guided import reference
from tests.twin_bench import TwinBench

QUIET_TANK = {"consumption_dkh_per_day": 0.3, "dosed_dkh_per_day": 0.3}
LIE = 3.3  # stated uncertainties


def play(tmp_path, fault, **scenario):
    table = {"seed": 46, "days": 0.06, "tank": QUIET_TANK, "schedule": {"every_h": 1.0}, "fault": [fault], **scenario}
    return [d["alkalinity"] for d in run(Scenario.model_validate(table), tmp_path)["determinations"]]


def off(alkalinity):
    """Return by how many stated uncertainties a result is wrong."""
    return abs(alkalinity["umol_per_kg"] - alkalinity["truth"]) / alkalinity["u"]


def test_a_brown_out_in_the_first_doses_of_a_bench_without_a_past_is_seen(tmp_path):
    """The supply is weak for 15 s: +320 umol/kg, and a curve whose shape is sound. The sample's own pH speaks."""
    weak = {"kind": "brown-out", "at_phase": "titrate", "determination": 1, "for_h": 0.004}
    first, *others = play(tmp_path, weak, days=0.07)

    assert off(first) > 50.0
    assert first["verdict"] == "suspect"
    assert "volume-step" in first["reasons"]
    assert others[0]["reasons"] == ["first-result"]  # until two agree
    assert others[1]["verdict"] == "accepted"
    assert off(others[1]) < LIE


def measured(hands, times):
    found = []
    for _ in range(times):
        found.append(hands.service.measure(Source.TANK))
        hands.stage.clock.sleep(3600.0)
    return found


def error(hands, d):
    return d.alkalinity.value - hands.stage.play.tank_alkalinity(d.ph_read_s)


@pytest.fixture
def with_a_past():
    """A bench that has measured five times, in a tank that goes up and down, and may by any amount in an hour."""
    config = with_values(TwinBench().config, {"alerts": {"most_dkh_per_day": 20.0}}, where="a lively tank")
    hands = keeper(seed=46, scenario={"tank": QUIET_TANK}, bench=config, reference=reference())
    for change in (0.0, 25.0, -30.0, 28.0, -22.0):
        hands.world.tank.alkalinity_umol_kg += change
        assert measured(hands, 1)[0].alkalinity.verdict.value == "accepted"
    return hands


def test_a_little_air_before_the_first_reading_is_seen_by_a_bench_with_a_past(with_a_past):
    """50 uL of air: +24 umol/kg, six stated uncertainties, with a sound curve."""
    with_a_past.world.titrant_line_air_ml += 0.05 + with_a_past.service.bench.config.titrant.tip_discard_ml
    first, second = with_a_past.service.store.next_id(), with_a_past.service.measure(Source.TANK)
    doubted = with_a_past.service.store.determination(first)

    assert error(with_a_past, doubted) > 5.0 * doubted.alkalinity.u
    assert doubted.alkalinity.verdict.value == "suspect"
    assert abs(error(with_a_past, second)) < LIE * second.alkalinity.u
    assert second.alkalinity.verdict.value == "accepted"
    assert_a_change_of_the_tank_is_accepted(with_a_past)
    assert_water_that_ran_out_at_rest_is_missed(with_a_past)


def assert_a_change_of_the_tank_is_accepted(hands):
    """A step nearly as large as the worst below, of the tank itself, in the time that the bench file allows for it."""
    hands.world.tank.alkalinity_umol_kg += 110.0
    d = hands.service.measure(Source.TANK)

    assert abs(error(hands, d)) < LIE * d.alkalinity.u
    assert d.alkalinity.verdict.value == "accepted"


def assert_water_that_ran_out_at_rest_is_missed(hands):
    """A worn titrant head lets 7 mL of standing sea water run down into the bottle; no float and no cell sees it."""
    hands.world.into_bottle(7.0)
    d = hands.service.measure(Source.TANK)

    assert d.alkalinity.verdict.value == "suspect"
    assert "drained-volume-differs" in [reason.value for reason in d.alkalinity.reasons]


@pytest.mark.parametrize("pump", ["titrant", pytest.param("sample", marks=pytest.mark.soak)])
def test_a_pump_that_loses_steps_is_not_accepted_because_it_repeats(with_a_past, pump):
    """5 % of the steps: a tank that changes so much leaves the electrode's potential alone, and a volume does not."""
    with_a_past.world.pumps[pump].passes = 0.95
    for d in measured(with_a_past, 2):
        assert abs(error(with_a_past, d)) > 100.0
        assert d.alkalinity.verdict.value != "accepted"
    assert "step-unexplained" in {alert.code for alert in with_a_past.service.alerting.standing}
