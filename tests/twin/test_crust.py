"""Salt on tips: water dries off the ends of lines, what it held comes back, and nothing is lost or made."""

import pytest

from saltern.clock import VirtualClock
from saltern.config.loading import bench_from
from saltern_drivers.twin.crust import drying_ml_s
from saltern_drivers.twin.scenario import Play, Scenario
from tests.twin_bench import as_filed, bench_table

CONFIG = bench_from(bench_table(), where="test")
HOUR_S = 3600.0
DRY = 40.0


def play(dryness, **truth):
    truth = {"tip_dryness_percent": dryness, "co2_loss_per_min": 0.0, **truth}
    still = {"consumption_dkh_per_day": 0.0, "dosed_dkh_per_day": 0.0}
    scenario = {"seed": 3, "days": 1.0, "tank": still, "twin": as_filed(CONFIG, **truth)}
    return Play(Scenario.model_validate(scenario), CONFIG.model_dump(), VirtualClock())


def salt(world):
    """Return all natural salt of tank and vessel; the line's is the tank's until a fill brings it."""
    return world.tank.mass_g * world.tank.salinity + world.vessel.natural


def dried_ml(hours, bore_mm, dryness=DRY):
    """4 D r c: 0.25 cm2/s, 23 g/m3, a disk as wide as the bore."""
    return 4.0 * 0.25 * bore_mm / 20.0 * 23e-6 * dryness / 100.0 * hours * HOUR_S


def emptied(dryness, hours, **truth):
    one = play(dryness, **truth)
    one.clock.sleep(HOUR_S * hours)
    one.world._drain(1000.0)
    return one.world


def test_an_end_of_three_millimetres_dries_by_some_milligrams_an_hour_in_half_dry_air():
    assert drying_ml_s(3.2, 50.0) * 3600.0 == pytest.approx(0.0066, rel=0.01)
    assert drying_ml_s(1.6, 50.0) == pytest.approx(drying_ml_s(3.2, 50.0) / 2.0)


def test_a_fill_after_twelve_hours_is_less_by_the_water_that_dried_and_has_its_salt():
    dry, wet = (emptied(dryness, 12.0, crust_dissolves_in_ml=1.0) for dryness in (DRY, 0.0))
    before = [(w.vessel.mass_g, w.vessel.natural, w.vessel.alkalinity) for w in (dry, wet)]
    for world in (dry, wet):
        world._draw(60.0)
    (mass, natural, alkalinity), plain = (
        [after - was for after, was in zip((w.vessel.mass_g, w.vessel.natural, w.vessel.alkalinity), b, strict=True)]
        for w, b in zip((dry, wet), before, strict=True)
    )

    gone_ml = dried_ml(12.0, 3.2)
    assert 0.03 < gone_ml < 0.08
    assert plain[0] - mass == pytest.approx(gone_ml * 1.0233, rel=0.01)
    assert natural == pytest.approx(plain[1], rel=2e-5)
    assert alkalinity == pytest.approx(plain[2], rel=2e-5)
    assert natural / mass > plain[1] / plain[0]


@pytest.mark.parametrize("dissolves_in_ml", [1.0, 300.0])
def test_salt_is_neither_lost_nor_made(dissolves_in_ml):
    """A top-up replaces water alone: what is drawn takes its salt out of the tank."""
    world = emptied(DRY, 48.0, crust_dissolves_in_ml=dissolves_in_ml)
    before, of_crust = salt(world), dried_ml(48.0, 3.2) * 1.0233 * 35.0
    for _ in range(20):
        world._draw(3.0)

    assert of_crust > 5.0
    assert salt(world) + world.sample_end.crust.natural == pytest.approx(before, abs=0.001 * of_crust)
    assert (world.sample_end.crust.natural > 1.0) is (dissolves_in_ml > 100.0)


def test_a_crust_that_dissolves_slowly_reaches_the_fill_after_the_rinse():
    world = emptied(DRY, 12.0, crust_dissolves_in_ml=50.0)
    world._draw(50.0)
    after_rinse = world.sample_end.crust.natural
    world._draw(50.0)

    assert after_rinse > 0.0
    assert world.sample_end.crust.natural == pytest.approx(after_rinse / 2.71828, rel=1e-3)


def test_what_a_result_is_held_against_is_the_tanks_water():
    dry, wet = (emptied(dryness, 12.0) for dryness in (DRY, 0.0))
    for world in (dry, wet):
        world.intake = None
        world._draw(60.0)

    of_dry, of_wet = (w.intake.water.alkalinity / w.intake.water.mass_g for w in (dry, wet))
    assert of_dry == pytest.approx(of_wet, rel=1e-6)


def hung(dryness, hours):
    """Return a world whose titrant line's end has hung over an emptied vessel for so long."""
    one = play(dryness)
    world = one.world
    world.pumps["waste"].runaway = world.pumps["waste"].permit_stuck = True
    one.clock.sleep(60.0)
    world.pumps["waste"].runaway = world.pumps["waste"].permit_stuck = False
    one.clock.sleep(HOUR_S * hours)
    return world


def covered(world):
    """Let a fill come over the end of the titrant line, and do nothing else to it."""
    world._draw(80.0)
    world.tip_idle_since_s = world.at_s
    world._wet_titrant_end()


def test_acid_that_dried_on_the_titrants_end_goes_into_the_liquid_that_covers_it_and_the_next_dose_lacks_it():
    dry, wet = (hung(dryness, 12.0) for dryness in (DRY, 0.0))
    for world in (dry, wet):
        covered(world)
    acid_umol = (wet.vessel.alkalinity - dry.vessel.alkalinity) / 1000.0
    dried_umol = dried_ml(12.0, 0.8) * wet.titrant_umol_ml
    tank_water = 2450.0 * dried_ml(12.0, 3.2) * 1.0233 / 1000.0

    assert dried_umol > 0.4
    assert acid_umol - dried_umol == pytest.approx(0.0, abs=tank_water)
    for world in (dry, wet):
        before = world.vessel.alkalinity
        world._dose(0.5)
        world.dosed_umol = (before - world.vessel.alkalinity) / 1000.0
    assert wet.dosed_umol - dry.dosed_umol == pytest.approx(dried_umol, rel=0.02)


@pytest.mark.parametrize("covers_first", [True, False])
def test_acid_is_neither_lost_nor_made(covers_first):
    world = hung(DRY, 24.0)
    if covers_first:
        covered(world)
    bottle = world.bottle_ml
    before = world.vessel.alkalinity
    if not covers_first:
        world._dose(0.5)
        assert (before - world.vessel.alkalinity) / 1000.0 == pytest.approx(
            (bottle - world.bottle_ml) * world.titrant_umol_ml, rel=1e-9
        )
        assert bottle - world.bottle_ml == pytest.approx(0.5)
        return
    world._dose(0.5)

    dried = dried_ml(24.0, 0.8)
    assert bottle - world.bottle_ml == pytest.approx(0.5 - dried, rel=1e-3)


def test_an_end_that_liquid_covers_does_not_dry():
    one = play(DRY)
    one.clock.sleep(12.0 * HOUR_S)
    bottle = one.world.bottle_ml
    one.world._dose(0.2)

    assert one.world.volume_ml() > one.world.tip_ml
    assert bottle - one.world.bottle_ml == pytest.approx(0.2)
    assert one.world.titrant_line_air_ml == 0.0
