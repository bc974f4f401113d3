"""A reference on its own inlet measures itself; a tip at a fixed height measures the sample."""

from datetime import timedelta

import numpy as np
import pytest
from pydantic import ValidationError

from saltern.config.loading import with_values
from saltern.config.tables import BenchConfig
from saltern.model.calibration import Kind
from saltern.model.determination import Source
from saltern.procedures.reference import needs_ml
from saltern.records import calibrations
from saltern.records.upkeep import keep_state, state
from saltern.running.reference import REFERENCE_USED
from tests.keeper import keeper
from tests.sizes import sizes
from tests.test_guided import reference
from tests.twin_bench import TwinBench

VALVE = {"driver": "gpio-selector", "pin": 10}
TIP = {"selector": {"driver": "gpio-selector", "pin": 15}, "tip_mm": 50.75}


@pytest.fixture
def hands():
    table = {"selector": VALVE, "alkalinity_umol_kg": 2200.0, "u_umol_kg": 1.5, "lot": "7", "every_days": 7.0}
    config = with_values(TwinBench().config, {"reference": table}, where="with a reference")
    made = keeper(bench=config)
    made.world.reference = reference()
    return made


def test_triplicates_run_themselves_when_they_are_due_and_not_before(hands):
    service = hands.service
    assert service.reference.due()
    service.reference.measure()
    sources = [d.source for _, d in service.store.results(10)]
    kept = calibrations.in_force(service.store)[Kind.TITRE]

    assert sources == [Source.REFERENCE] * 3
    assert kept.who == "service"
    assert hands.world.source is None  # the valve has let go
    assert not service.reference.due()
    hands.stage.clock.step_wall(8 * 86400.0)
    hands.stage.clock.sleep(13 * 3600.0)
    assert service.reference.due()
    d = service.measure(Source.TANK)
    assert abs(d.alkalinity.value - hands.stage.play.tank_alkalinity(d.ph_read_s)) < 3.0 * d.alkalinity.u


def test_a_schedule_measures_the_reference_after_the_tank(hands):
    hands.service.look()
    hands.service.round()
    sources = [d.source for _, d in reversed(hands.service.store.results(10))]
    assert sources == [Source.TANK] * 2 + [Source.REFERENCE] * 3  # the first of all is measured twice


def test_a_bottle_that_is_empty_or_old_is_asked_for_and_not_measured(hands):
    service = hands.service
    keep_state(service.store, REFERENCE_USED, 4900.0, hands.stage.clock.now())
    assert not service.reference.due()
    assert "reference-unusable" in {alert.code for alert in service.alerting.standing}
    service.operator(["part", "replaced", "reference"])
    assert service.reference.due()
    used = needs_ml(service.config, service.config.reference)
    assert 500.0 < used < 2000.0
    old = {"reference.expires": hands.stage.clock.now().date() - timedelta(days=4)}
    service.bench.config = with_values(service.config, old, where="old")
    assert not service.reference.due()


def test_one_that_fails_is_told_and_leaves_the_tank_line_open(hands):
    hands.world.pumps["sample"].stalled = True
    hands.service.reference.measure()
    assert "reference-refused" in {alert.code for alert in hands.service.raised}
    assert hands.world.source is None
    assert hands.service.left_open() is None  # nobody's hands were there
    assert calibrations.in_force(hands.service.store) == {}
    assert state(hands.service.store, REFERENCE_USED) > 0.0


def with_tip(**changes):
    return {"sample.draw_down": {**TIP, **changes}, "limits.titrant_per_run_ml": 12.0}


def test_a_tip_that_does_not_fit_the_sample_is_refused():
    table = TwinBench().config.model_dump(exclude_unset=True)
    table["sample"]["draw_down"] = {**TIP, "tip_mm": 40.0}
    with pytest.raises(ValidationError, match="tip_mm leaves"):
        BenchConfig.model_validate(table)


def scatter(true, benches):
    errors = []
    for seed in range(benches):
        twin = TwinBench(true=true, seed=seed, bench="bench-simulated-hobby.toml", twin={"instruments": "hobby"})
        found = []
        for _ in range(4):
            d = twin.determine()
            assert d.alkalinity.value is not None, d.remarks
            found.append(twin.error(d))
        assert twin.play.bound_held
        assert twin.world.spilled.spilled_ml == 0.0
        errors.append(found)
    return float(np.sqrt(np.mean(np.var(errors, axis=1, ddof=1))))


@pytest.mark.slow
@pytest.mark.parametrize("benches", sizes(3, in_soak=12))
def test_drawn_down_the_sample_repeats_better_than_pumped(benches):
    """The hobby pump repeats to 0.5 %, the tip to 0.1 mL of a hundred."""
    assert scatter(with_tip(), benches) < 0.75 * scatter(None, benches)


def test_the_pumps_gain_no_longer_matters():
    """A sample pump that gives 2 % more fills higher, and is drawn down all the same."""
    errors = {}
    for shift in (0.0, 0.02):
        twin = TwinBench(true=with_tip(), seed=5)
        twin.world.pumps["sample"].gain_shift = shift
        errors[shift] = np.mean([twin.error(twin.determine()) for _ in range(3)])
    assert abs(errors[0.02] - errors[0.0]) < 12.0  # and not 49, 2 % of 2450
