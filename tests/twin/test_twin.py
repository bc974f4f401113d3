"""The twin is a physical model: it is checked against physics and foreign engines, not against the service."""

import json
import time
from math import log10, pi, sqrt

import gsw
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from saltern.clock import VirtualClock
from saltern.config.loading import bench_from
from saltern.ports import Direction
from saltern_drivers.twin.afterlife import VARIABLE, Afterlife, begins
from saltern_drivers.twin.electrode import Electrode
from saltern_drivers.twin.liquid import Liquid
from saltern_drivers.twin.protons import carbon_for, medium, ph_free, unbalanced_charge
from saltern_drivers.twin.scenario import Play, Scenario
from tests.twin_bench import TwinBench, bench_table

AMOUNTS = st.floats(0.0, 200.0)


LIQUIDS = st.tuples(AMOUNTS, st.floats(0, 40), st.floats(-50_000, 5000), st.floats(0, 4000))


@given(st.lists(LIQUIDS, min_size=1, max_size=8), AMOUNTS)
def test_mixing_and_taking_conserve_everything(parts, taken_g):
    whole = Liquid()
    for mass, salt, alkalinity, carbon in parts:
        whole.pour_in(Liquid(mass, mass * salt, mass * salt, mass * alkalinity, mass * carbon))
    out = whole.take(taken_g)

    for attribute, concentration in (("mass_g", None), ("natural", 1), ("alkalinity", 2), ("carbon", 3)):
        total = sum(p[0] * (1.0 if concentration is None else p[concentration]) for p in parts)
        assert getattr(whole, attribute) + getattr(out, attribute) == pytest.approx(total, abs=1e-6, rel=1e-9)


@pytest.mark.parametrize(("salinity", "temperature_c"), [(30.0, 20.0), (35.0, 25.0), (38.0, 28.0)])
@pytest.mark.parametrize(
    ("alkalinity", "carbon"), [(2400, 2100), (350, 340), (6900, 6000), (100, 2000), (-500, 300), (-1300, 5)]
)
def test_its_ph_is_that_of_pyco2sys(salinity, temperature_c, alkalinity, carbon):
    pyco2sys = pytest.importorskip("PyCO2SYS", reason="PyCO2SYS is not installed")
    theirs = pyco2sys.sys(
        par1=alkalinity,
        par1_type=1,
        par2=carbon,
        par2_type=2,
        salinity=salinity,
        temperature=temperature_c,
        opt_k_carbonic=10,
        opt_k_bisulfate=1,
        opt_k_fluoride=1,
        opt_total_borate=1,
        opt_pH_scale=3,
    )["pH_free"]

    found = ph_free(alkalinity * 1e-6, carbon * 1e-6, salinity, medium(salinity, temperature_c), guess=7.0)

    assert found == pytest.approx(float(theirs), abs=1e-3)


@settings(max_examples=100)
@given(st.floats(-0.002, 0.008), st.floats(0.0, 0.008), st.floats(5.0, 40.0), st.floats(2.0, 12.0))
def test_charges_balance_at_its_ph_wherever_it_began_to_look(alkalinity, carbon, salinity, guess):
    m = medium(35.0, 25.0)
    ph = ph_free(alkalinity, carbon, salinity, m, guess)

    assert unbalanced_charge(10.0**-ph, m, salinity, carbon) == pytest.approx(alkalinity, abs=1e-10)


def _bisected(alkalinity, carbon, salinity, m):
    low, high = -1.0, 15.0
    for _ in range(80):
        middle = 0.5 * (low + high)
        below = unbalanced_charge(10.0**-middle, m, salinity, carbon) < alkalinity
        low, high = (middle, high) if below else (low, middle)
    return low


def test_a_root_beside_a_steep_flank_is_found_where_newtons_steps_alone_go_round_in_a_circle():
    """Drawn among 200,000 waters: from this guess those steps alone ended at pH 4.677; the root is at 5.996."""
    m, carbon, salinity = medium(42.0, 20.0), 0.000630389421471157, 26.539413437131234
    alkalinity = 0.0003262830202361731

    found = ph_free(alkalinity, carbon, salinity, m, guess=8.670260598177103)

    assert found == pytest.approx(_bisected(alkalinity, carbon, salinity, m), rel=1e-11)


@settings(max_examples=200)
@given(
    st.floats(-0.004, 0.006), st.floats(0.0, 0.005), st.floats(1.0, 42.0), st.floats(10.0, 35.0), st.floats(2.0, 10.0)
)
def test_its_ph_is_that_of_a_plain_bisection_to_eleven_places(alkalinity, carbon, salinity, temperature_c, guess):
    m = medium(35.0, temperature_c)

    assert ph_free(alkalinity, carbon, salinity, m, guess) == pytest.approx(
        _bisected(alkalinity, carbon, salinity, m), rel=1e-11
    )


def test_carbon_and_ph_are_each_others_inverse():
    m = medium(35.0, 25.0)
    carbon = carbon_for(8.2, 2.4e-3, 35.0, m)

    assert ph_free(2.4e-3, carbon, 35.0, m) == pytest.approx(8.2, abs=1e-8)


def test_an_electrode_follows_a_step_with_its_lag():
    electrode = Electrode(0.0, 1.0, 0.0, 1.0, 0.0, 6.0, 0.0, np.random.default_rng(0))
    electrode.target_mv = 100.0
    for step in range(1, 61):
        electrode.advance(0.1 * step)

    assert electrode.signal_mv == pytest.approx(100.0 * (1.0 - np.exp(-1.0)), abs=1e-9)


def test_an_electrode_follows_nernst():
    electrode = Electrode(0.0, 1.0, 0.0, 1.0, 0.0, 6.0, 0.0, np.random.default_rng(0))
    electrode.aim(4.0, 25.0)
    acid = electrode.target_mv
    electrode.aim(7.0, 25.0)

    assert acid - electrode.target_mv == pytest.approx(3 * 59.159, abs=0.01)


def test_acid_leaves_an_idle_tip_with_the_square_root_of_time():
    twin = TwinBench(tank={"consumption_dkh_per_day": 0.0, "dosed_dkh_per_day": 0.0})
    start = twin.world.vessel.alkalinity
    lost = []
    for hours in (1.0, 4.0, 16.0):
        twin.clock.sleep(hours * 3600.0 - twin.clock.monotonic())
        twin.world.advance(twin.clock.monotonic())
        lost.append((start - twin.world.vessel.alkalinity) / 1000.0)

    assert lost[1] / lost[0] == pytest.approx(2.0, rel=0.01)
    assert lost[2] / lost[1] == pytest.approx(2.0, rel=0.01)
    area_cm2 = pi * 0.04**2
    umol_ml = 50.0 * twin.world.truths.titrant_strength
    assert lost[0] == pytest.approx(2 * area_cm2 * umol_ml * sqrt(3.3e-5 * 3600 / pi), rel=0.01)


def test_what_a_tip_lost_is_missing_from_the_next_dose():
    twin = TwinBench()
    twin.bench.drain()
    with twin.bench.stage("fill", sample_ml=90.0):
        twin.bench.add("sample", 90.0)
    twin.bench.idle(48 * 3600.0)
    before, missing = twin.world.vessel.alkalinity, twin.world.tip_missing_umol
    with twin.bench.stage("dose", titrant_ml=1.0):
        twin.bench.add("titrant", 0.5)
    given_umol = (before - twin.world.vessel.alkalinity) / 1000.0

    assert missing > 0.5
    assert given_umol == pytest.approx(0.5 * twin.world.titrant_umol_ml - missing, rel=0.02)


def test_carbon_dioxide_leaves_towards_equilibrium_and_faster_when_stirred():
    twin = TwinBench()
    twin.world.vessel.alkalinity = 0.0  # acidified: nearly all carbon is CO2
    still = twin.world.vessel.carbon
    twin.clock.sleep(600.0)
    after_still = twin.world.vessel.carbon
    twin.bench.stir(1.0)
    for _ in range(60):
        twin.clock.sleep(10.0)
    after_stirred = twin.world.vessel.carbon
    for _ in range(2000):
        twin.clock.sleep(30.0)

    assert still > after_still > after_stirred
    assert still - after_still < 0.3 * (after_still - after_stirred)
    assert twin.world.vessel.carbon / twin.world.vessel.mass_g == pytest.approx(13.0, abs=4.0)


def test_a_drain_leaves_the_residue_and_no_more_can_be_drawn():
    twin = TwinBench()
    twin.bench.drain()
    left = twin.world.volume_ml()
    twin.bench.drain()

    assert left == pytest.approx(1.5, abs=0.4)
    assert twin.world.volume_ml() == left


def test_what_passes_the_spout_is_spilled_and_counted():
    clock = VirtualClock()
    play = Play(Scenario(seed=5, days=1.0), bench_from(bench_table(), where="test").model_dump(), clock)
    play.world.vessel = play.world.tank.water((play.world.capacity_ml - 1.0) * 1.0233)
    head = play.world.pumps["sample"]
    head.enabled, head.permit_stuck = True, True  # no guard, no permit: nothing but physics
    play.wires.pulses.queue(17, 20_000, 20, 355)
    for _ in range(100):
        clock.sleep(0.1)

    assert play.world.volume_ml() == pytest.approx(play.world.capacity_ml, abs=0.1)
    assert play.truth()["spilled_ml"] > 3.0
    assert play.world.switch("overfill")
    assert play.world.switch("leak")


def test_a_pump_stops_within_its_permits_lapse():
    twin = TwinBench()
    permit, drive = twin.devices.permits["waste"], twin.devices.pumps["waste"]
    permit.kick()
    before = twin.world.volume_ml()
    drive.start(20.0)
    twin.clock.sleep(20.0)

    assert before - twin.world.volume_ml() == pytest.approx(2.0 * permit.lapse_s, rel=0.15)


def test_pulses_without_enable_move_nothing_and_reverse_moves_back():
    twin = TwinBench()
    permit, drive = twin.devices.permits["titrant"], twin.devices.pumps["titrant"]
    bottle = twin.world.bottle_ml
    twin.play.wires.pulses.queue(23, 500, 20, 300)
    permit.kick()
    twin.clock.sleep(0.4)
    assert twin.world.bottle_ml == bottle

    drive.start(500, Direction.REVERSE)
    permit.kick()
    twin.clock.sleep(0.4)
    drive.progress()
    assert twin.world.bottle_ml > bottle


def test_the_same_volume_of_saltier_water_is_heavier():
    """A bench is standardised at one salinity and measures at another. Densities of gsw (TEOS-10)."""
    grams, densities = [], [float(gsw.rho_t_exact(gsw.SR_from_SP(s), 25.0, 0.0)) for s in (33.0, 36.5)]
    for salinity in (33.0, 36.5):
        twin = TwinBench(tank={"salinity": salinity, "temperature_c": 25.0}, twin={"sample_repeatability": 0.0})
        twin.world.pumps["sample"].permitted_until_s = 1e9
        before_g = twin.world.vessel.mass_g
        twin.world._draw(20.0)
        grams.append(twin.world.vessel.mass_g - before_g)

    assert grams[1] / grams[0] == pytest.approx(densities[1] / densities[0], abs=5e-6)


def test_sampling_takes_salt_from_the_tank():
    twin = TwinBench(tank={"volume_l": 50.0})
    before = twin.world.tank.salinity
    twin.determine()

    assert before - twin.world.tank.salinity == pytest.approx(35.0 * 0.27 / 50.0, rel=0.15)


def test_corals_take_alkalinity_and_more_by_day():
    twin = TwinBench(tank={"consumption_dkh_per_day": 1.0, "dosed_dkh_per_day": 0.0})
    tank = twin.world.tank
    fallen = []
    for hour in (0, 6, 18, 24):
        tank.advance(hour * 3600.0)
        fallen.append(tank.alkalinity_umol_kg)

    assert fallen[0] - fallen[3] == pytest.approx(348.0, abs=0.5)
    assert fallen[1] - fallen[2] > 0.6 * 348.0  # 12 of 24 hours


def test_the_total_scale_lies_below_the_free_scale_by_the_bisulfate():
    twin = TwinBench()
    difference = twin.world.ph_free() - twin.world.ph_total()

    assert difference == pytest.approx(log10(1.0 + 0.028235 / 0.1003), abs=0.005)  # S_T / K_S at S 35, 25 degC


def test_the_same_seed_gives_the_same_day():
    one, two = (TwinBench().determine() for _ in range(2))

    assert one.alkalinity.value == two.alkalinity.value
    assert json.dumps([r.value for r in one.readings]) == json.dumps([r.value for r in two.readings])


def drawn_back(outlet_mm):
    """Turn the sample pump backwards past every guard, with acid in a full vessel; return the truth."""
    clock = VirtualClock()
    config = bench_from(bench_table({"pumps.sample.line.outlet_mm": outlet_mm}), where="test")
    play = Play(Scenario(seed=5, days=1.0), config.model_dump(), clock)
    play.world.vessel = play.world.tank.water(90.0 * 1.0233)
    play.world._dose(10.0)
    head = play.world.pumps["sample"]
    head.enabled = head.permit_stuck = head.reverse = True
    play.wires.pulses.queue(17, 16_000, 20, 355)
    clock.sleep(10.0)
    return play


def test_a_sample_line_that_dips_into_the_vessel_would_carry_acid_to_the_tank():
    """So that a run without acid in the tank says something."""
    play = drawn_back(outlet_mm=30.0)

    assert play.truth()["titrant_to_tank_ml"] == pytest.approx(10.0 * 0.1, rel=0.1)
    assert play.world.volume_ml() == pytest.approx(90.0, abs=0.5)


def test_an_air_gap_keeps_it_away():
    play = drawn_back(outlet_mm=85.0)

    assert play.truth()["titrant_to_tank_ml"] == 0.0
    assert play.world.volume_ml() == pytest.approx(100.0, abs=0.2)


def test_a_world_that_outlived_its_process_goes_on_by_both_clocks(tmp_path, monkeypatch):
    monkeypatch.setenv(VARIABLE, str(tmp_path / "world"))
    assert begins(100.0) == (0.0, None)
    before = time.time()
    twin, kept = TwinBench(), Afterlife(tmp_path / "world")
    made = time.time()
    twin.clock.sleep(500.0)
    keeping = time.time()
    kept.keep(twin.world)
    kept.close()
    away = time.time()
    time.sleep(0.2)
    looking = time.time()
    begins_s, began_at = begins(100.0)
    found = time.time()

    assert 100.0 * (looking - away) <= begins_s - twin.world.at_s <= 100.0 * (found - keeping)
    assert before <= began_at <= made
