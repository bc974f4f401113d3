"""A biofilm in the sample line: what stood there has breathed, and the next fill brings it, by the stated amount."""

import pytest

from saltern.clock import VirtualClock
from saltern.config.loading import bench_from
from saltern_drivers.twin.biofilm import MOST_CARBON_UMOL_KG, Biofilm
from saltern_drivers.twin.scenario import Play, Scenario
from tests.twin_bench import as_filed, bench_table

CONFIG = bench_from(bench_table(), where="test")
HOUR_S = 3600.0
RATE = 5.0


def rested(hours, **truth):
    """Return a world whose emptied vessel has waited for so long, and whose vessel loses no CO2 in the meantime."""
    twin = as_filed(CONFIG, **{"co2_loss_per_min": 0.0, **truth})
    one = Play(Scenario.model_validate({"seed": 3, "days": 1.0, "twin": twin}), CONFIG.model_dump(), VirtualClock())
    one.clock.sleep(HOUR_S * hours)
    one.world._drain(1000.0)
    return one.world


def brought(world, ml):
    """Return what a fill brings into the vessel: mass, alkalinity and carbon."""
    v = world.vessel
    before = v.mass_g, v.alkalinity, v.carbon
    world._draw(ml)
    return tuple(after - was for after, was in zip((v.mass_g, v.alkalinity, v.carbon), before, strict=True))


def difference(hours, ml, **truth):
    """Return by how much a fill after rest differs for a biofilm: mass, alkalinity, carbon."""
    with_film = brought(rested(hours, biofilm_umol_kg_per_h=RATE, **truth), ml)
    without = brought(rested(hours), ml)
    return tuple(a - b for a, b in zip(with_film, without, strict=True))


def test_a_fill_after_twelve_hours_brings_the_carbon_that_the_slug_took_up_and_lacks_its_alkalinity():
    line_g = rested(0.0).sample_line_ml * 1.0233
    mass, alkalinity, carbon = difference(12.0, 50.0, biofilm_alkalinity_share=0.2)

    most = 206.0 * 106.0 / 138.0
    expected = most * (1.0 - 2.718281828 ** (-12.0 * RATE / most))
    assert 45.0 < expected < 60.0  # 60 umol/kg at the first hour's rate
    assert carbon == pytest.approx(line_g * expected, rel=1e-3)
    assert alkalinity == pytest.approx(-0.2 * line_g * expected, rel=1e-3)
    assert mass == 0.0


def test_only_what_stood_has_changed_and_a_second_fill_brings_the_tanks_water():
    film, plain = (rested(12.0, biofilm_umol_kg_per_h=rate) for rate in (RATE, 0.0))
    first = [brought(world, 50.0) for world in (film, plain)]
    for world in (film, plain):
        world._rest_sample_line()
    second = [brought(world, 50.0) for world in (film, plain)]

    assert first[0] != first[1]
    assert second[0] == pytest.approx(second[1], rel=1e-9)


def test_half_a_line_brings_half_of_it():
    half = rested(0.0).sample_line_ml / 2.0

    assert difference(6.0, half)[2] == pytest.approx(difference(6.0, 50.0)[2] / 2.0, rel=0.02)


def test_it_slows_and_ends_with_the_waters_oxygen():
    film = Biofilm(20.0, 0.16)

    assert film.carbon_umol_kg(360.0) == pytest.approx(2.0, rel=0.01)
    assert film.carbon_umol_kg(8.0 * HOUR_S) < 8.0 * 20.0
    assert film.carbon_umol_kg(30.0 * 86400.0) == pytest.approx(MOST_CARBON_UMOL_KG)


def test_what_a_result_is_held_against_is_the_tanks_water_and_not_what_the_line_made_of_it():
    film, plain = (rested(12.0, biofilm_umol_kg_per_h=rate) for rate in (RATE, 0.0))
    for world in (film, plain):
        world.intake = None
        world._draw(50.0)

    assert film.intake.water.alkalinity == plain.intake.water.alkalinity
    assert film.vessel.alkalinity < plain.vessel.alkalinity
