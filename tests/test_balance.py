"""A load cell under the vessel: the sample is weighed, and what no curve can tell is seen."""

import numpy as np
import pytest

from saltern.config.loading import bench_from
from saltern.errors import ReadingError
from saltern.model.determination import Source
from saltern.procedures.determination import Expectation
from tests.keeper import keeper
from tests.sizes import sizes
from tests.test_guided import reference
from tests.twin_bench import TwinBench, bench_table

BALANCE = {"board": {"driver": "i2c-scale", "g_per_count": 0.0001}}


def bench(seed=5, **scenario):
    return TwinBench(true={"probes.balance": BALANCE}, seed=seed, bench="bench-simulated-hobby.toml", **scenario)


@pytest.mark.slow
@pytest.mark.parametrize("benches", sizes(2, in_soak=10))
def test_the_fill_is_weighed_and_results_scatter_less(benches):
    def scatter(true):
        errors = []
        for seed in range(benches):
            twin = TwinBench(true=true, seed=seed, bench="bench-simulated-hobby.toml", twin={"instruments": "hobby"})
            errors.append([twin.error(twin.determine()) for _ in range(4)])
        return float(np.sqrt(np.mean(np.var(errors, axis=1, ddof=1))))

    assert scatter({"probes.balance": BALANCE}) < 0.7 * scatter(None)


def test_its_budget_says_weighed_and_its_fills_calibrate_the_pump():
    twin = bench()
    d = twin.determine()

    assert "sample weighed, difference of two" in d.budget_umol_kg
    gain = d.calibrated["weighed.sample_ml_per_unit"] / twin.config.pumps.sample.ml_per_unit
    assert gain == pytest.approx(twin.world.pumps["sample"].ml_per_unit / 0.000625, rel=0.01)


@pytest.mark.parametrize("air", [0.03, 0.08])
def test_air_in_the_sample_line_no_longer_makes_a_lie(air):
    """Without a balance nothing in the curve tells that less came; with it less is weighed."""
    errors = {}
    for balance in (True, False):
        twin = bench() if balance else TwinBench(seed=5, bench="bench-simulated-hobby.toml")
        sound = twin.error(twin.determine())
        twin.world.sample_line_air = air
        errors[balance] = twin.error(twin.determine()) - sound

    assert abs(errors[True]) < 25.0
    assert errors[False] < -1500.0 * air


def test_what_a_drain_left_is_seen_by_weight():
    twin = bench()
    assert twin.determine().alkalinity.value is not None
    twin.world.residue_extra_ml = 5.0
    d = twin.determine()

    assert [reason.value for reason in d.alkalinity.reasons] == ["vessel-not-proved-empty"]
    assert "more than it did" in d.remarks[0]


def test_acid_that_did_not_come_is_seen_by_weight():
    twin = bench()
    twin.determine()
    twin.world.titrant_line_air_ml = 0.9
    d = twin.determine(Expectation())

    assert d.alkalinity.verdict.value != "accepted"
    assert "titrant-weighed-differs" in [reason.value for reason in d.alkalinity.reasons]


def test_liquid_that_moves_at_rest_trips():
    twin = bench()
    twin.determine()
    for _ in range(3):
        twin.bench.idle(301.0)
    assert [row.name for row in twin.bench.guard.acting] == []
    twin.world.vessel.pour_in(twin.world.tank.water(5.0))
    twin.bench.idle(301.0)
    twin.bench.idle(301.0)

    assert "unasked" in [row.name for row in twin.bench.guard.acting]


def at_rest(hands, minutes):
    until_s = hands.stage.clock.monotonic() + 60.0 * minutes
    while hands.stage.clock.monotonic() < until_s:
        hands.service.round()


def with_balance():
    table = bench_table({"probes.balance": BALANCE}, "bench-simulated-hobby.toml")
    hands = keeper(seed=5, bench=bench_from(table, where="test"))
    assert hands.service.measure(Source.TANK).alkalinity.verdict.value == "accepted"
    at_rest(hands, 11.0)
    return hands


@pytest.mark.parametrize("said", ["held", "guided"])
def test_what_a_keepers_hands_lay_on_is_no_liquid(said):
    hands = with_balance()
    if said == "held":
        hands.service.operator(["hold", "1"])
        at_rest(hands, 6.0)
        hands.world.balance.laid_on_g = 6.0
        at_rest(hands, 11.0)
        hands.service.operator(["hold", "0"])
    else:
        hands.world.balance.laid_on_g = 6.0
        hands.run("calibrate-temperature")
    at_rest(hands, 21.0)

    assert not hands.service.bench.guard.acting


def test_what_was_laid_on_is_told_and_a_rinse_learns_it():
    hands = with_balance()
    hands.world.balance.laid_on_g = 6.0
    d = hands.service.measure(Source.TANK)
    assert [reason.value for reason in d.alkalinity.reasons] == ["vessel-not-proved-empty"]
    assert "saltern rinse" in d.remarks[0]
    hands.service.operator(["rinse"])

    assert hands.service.measure(Source.TANK).alkalinity.verdict.value == "accepted"


def test_a_dead_balance_does_not_blind_the_cell():
    twin = bench()
    twin.determine()
    twin.bench.drain()
    for _ in range(2):
        twin.bench.idle(301.0)
    assert [row.name for row in twin.bench.guard.acting] == []
    assert twin.bench.fell_dry

    def gone(poll_s):
        raise ReadingError("the load cell is silent", where="probes.balance", remedy="Check its wires")

    twin.bench.readings.balance_g = gone
    twin.world.vessel.pour_in(twin.world.tank.water(40.0))
    twin.bench.idle(301.0)
    twin.bench.idle(301.0)

    assert "unasked" in [row.name for row in twin.bench.guard.acting]


def test_a_standardised_bench_with_a_balance_measures_what_is_there():
    config = TwinBench(true={"probes.balance": BALANCE}).config
    hands = keeper(seed=8, reference=reference(), bench=config)
    hands.run("standardise", alkalinity_umol_kg=2200.0, u_umol_kg=1.0)
    from saltern.model.determination import Source

    d = hands.service.measure(Source.TANK)
    error = d.alkalinity.value - hands.stage.play.tank_alkalinity(d.ph_read_s)

    assert d.alkalinity.verdict.value == "accepted"
    assert abs(error) < 3.0 * d.alkalinity.u
