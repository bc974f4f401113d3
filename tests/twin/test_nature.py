"""The water of an unfriendly world: held against PyCO2SYS, published constants and what must be conserved."""

from math import log

import pytest
from hypothesis import given
from hypothesis import strategies as st

from saltern.clock import VirtualClock
from saltern.config.loading import bench_from
from saltern_drivers.twin.instruments import CLASSES
from saltern_drivers.twin.nature import Nature, perez_fraga
from saltern_drivers.twin.scenario import Play, Scenario
from saltern_drivers.twin.truth_table import stated
from tests.twin_bench import bench_table

BENCH = bench_from(bench_table(), where="test").model_dump()
NATURAL = stated(BENCH, CLASSES["good"])


def nature(**truth):
    return Nature({**NATURAL, **truth})


def ph_of(water, alkalinity, carbon, salinity=35.0, temperature_c=25.0):
    """Return the free pH of tank water that holds these, umol/kg."""
    m = water.medium(salinity, temperature_c, sodium_chloride=False, own_share=1.0)
    k = water.bases(salinity, temperature_c)
    return water.ph_free(alkalinity * 1e-6, carbon * 1e-6, salinity, salinity, m, k, 7.0)


@pytest.mark.parametrize(("alkalinity", "carbon"), [(2450, 2150), (900, 850), (200, 400), (-300, 100)])
@pytest.mark.parametrize(
    ("truth", "options"),
    [
        ({"phosphate_umol_kg": 60.0}, {"total_phosphate": 60.0}),
        ({"silicate_umol_kg": 150.0}, {"total_silicate": 150.0}),
        ({"phosphate_umol_kg": 20.0, "silicate_umol_kg": 40.0}, {"total_phosphate": 20.0, "total_silicate": 40.0}),
        ({"borate_ratio": 2.0}, {"total_borate": 2.0 * 415.7}),
        ({"fluoride_ratio": 1.8}, {"total_fluoride": 1.8 * 68.33}),
    ],
    ids=lambda value: "+".join(value) if isinstance(value, dict) else str(value),
)
def test_its_ph_is_that_of_pyco2sys(truth, options, alkalinity, carbon):
    pyco2sys = pytest.importorskip("PyCO2SYS", reason="PyCO2SYS is not installed")
    theirs = pyco2sys.sys(
        par1=alkalinity,
        par1_type=1,
        par2=carbon,
        par2_type=2,
        salinity=35.0,
        temperature=25.0,
        opt_k_carbonic=10,
        opt_k_bisulfate=1,
        opt_k_fluoride=1,
        opt_total_borate=1,
        opt_pH_scale=3,
        **options,
    )["pH_free"]

    assert ph_of(nature(**truth), alkalinity, carbon) == pytest.approx(float(theirs), abs=2e-3)


def test_kf_of_perez_and_fraga_is_the_published_one():
    """ln KF -6.0919 at S 35, 25 degC: read from a stored run of PyCO2SYS 1.8.3.4."""
    assert log(perez_fraga(35.0, 25.0)) == pytest.approx(-6.0919, abs=1e-4)


def test_either_kf_moves_the_acid_end_alone():
    plain, other = nature(), nature(kf_perez_fraga=1.0)

    assert ph_of(other, 2450, 2150) == pytest.approx(ph_of(plain, 2450, 2150), abs=1e-5)
    assert abs(ph_of(other, -300, 100) - ph_of(plain, -300, 100)) > 1e-4


@pytest.mark.parametrize(("pk", "counts"), [(4.2, 0.0), (5.0, 1.0), (6.5, 1.0)])
def test_a_base_counts_into_alkalinity_where_its_pk_lies_above_4_5(pk, counts):
    """Dickson 1981: far above its pK a base holds no proton, so it counts whole, or, below 4.5, not at all."""
    water = nature(organic_umol_kg=40.0, organic_pk=pk)
    taken = water.taken(10.0**-11, 35.0, water.bases(35.0, 25.0))

    assert 1e6 * taken == pytest.approx(40.0 * counts, abs=0.01)


@given(st.floats(-2000, 5000), st.floats(0, 4000), st.floats(0, 100), st.floats(3, 9), st.floats(2, 11))
def test_its_ph_balances_wherever_it_began_to_look(alkalinity, carbon, organic, pk, guess):
    water = nature(organic_umol_kg=organic + 0.1, organic_pk=pk, phosphate_umol_kg=5.0)
    m = water.medium(35.0, 25.0, sodium_chloride=False, own_share=1.0)
    k = water.bases(35.0, 25.0)
    found = [water.ph_free(alkalinity * 1e-6, carbon * 1e-6, 35.0, 35.0, m, k, begins) for begins in (guess, 4.0, 8.0)]

    assert max(found) - min(found) < 1e-7


def world(**truth):
    scenario = Scenario.model_validate({"seed": 3, "days": 1.0, "twin": {"truth": truth}})
    return Play(scenario, BENCH, VirtualClock()).world


def test_the_tanks_water_has_the_alkalinity_and_the_ph_that_the_scenario_states_whatever_its_bases():
    plain = world()
    other = world(organic_umol_kg=60.0, organic_pk=5.5, phosphate_umol_kg=10.0, borate_ratio=1.6)

    assert other.vessel.alkalinity / other.vessel.mass_g == pytest.approx(2450.0)
    assert other.ph_free() == pytest.approx(plain.ph_free(), abs=0.01)
    assert other.vessel.carbon < plain.vessel.carbon  # organic base and borate carry a part of the alkalinity


def test_a_reference_in_the_vessel_has_nothing_of_the_tanks_water():
    other = world(borate_ratio=2.0, organic_umol_kg=60.0)
    plain = world()
    for one in (plain, other):
        one.vessel.own = 0.0

    m, k = other._medium(), other.nature.bases(35.0, 24.0)
    assert m.borate == plain._medium().borate
    assert other.nature.taken(1e-8, 0.0, k) == 0.0


def test_constants_that_are_off_move_ph_by_as_much():
    """A bicarbonate solution's pH is (pK1 + pK2) / 2, nearly: both off by 0.02 move it by 0.02."""
    plain, off = nature(), nature(pk1_error=0.02, pk2_error=0.02, pkb_error=0.02, pkw_error=0.02)

    assert ph_of(off, 2300, 2150) - ph_of(plain, 2300, 2150) == pytest.approx(0.02, abs=0.002)
