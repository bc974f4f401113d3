"""The tank's lamps on the electrode: a shift of its signal by day, by its own definition."""

import pytest

from saltern.clock import VirtualClock
from saltern.config.loading import bench_from
from saltern_drivers.twin.lamps import Lamps
from saltern_drivers.twin.scenario import Play, Scenario
from tests.twin_bench import as_filed, bench_table

CONFIG = bench_from(bench_table(), where="test")
HOUR_S = 3600.0


def signals(hours, **truth):
    """Return what the electrode of a bench at rest shows at these hours of the first day, mV."""
    twin = {**as_filed(CONFIG, **truth), "noise_mv": 0.0}
    one = Play(Scenario.model_validate({"seed": 3, "days": 1.0, "twin": twin}), CONFIG.model_dump(), VirtualClock())
    shown = []
    for hour in hours:
        one.clock.sleep(HOUR_S * hour - one.clock.monotonic())
        shown.append(one.world.ph_signal_mv())
    return shown


def test_the_signal_is_shifted_while_lamps_shine_and_at_no_other_time():
    hours = [6.0, 9.9, 10.1, 16.0, 21.9, 22.1, 23.0]
    with_light = signals(hours, light_mv=1.5, light_from_h=10.0)
    without = signals(hours)

    shift = [lit - dark for lit, dark in zip(with_light, without, strict=True)]
    assert shift == pytest.approx([0.0, 0.0, 1.5, 1.5, 1.5, 0.0, 0.0], abs=0.005)


def test_the_shift_comes_and_goes_with_a_minute():
    lamps = Lamps(2.0, 8.0)

    assert lamps.at(8.0 * HOUR_S) == 0.0
    assert lamps.at(8.0 * HOUR_S + 60.0) == pytest.approx(2.0 * (1.0 - 0.36788), rel=1e-4)
    assert lamps.at(20.0 * HOUR_S + 60.0) == pytest.approx(2.0 * 0.36788, rel=1e-4)


def test_every_day_has_its_light_and_so_has_a_night_over_midnight():
    lamps = Lamps(2.0, 18.0)

    assert lamps.at(24.0 * HOUR_S) == pytest.approx(2.0)
    assert lamps.at(12.0 * HOUR_S) == pytest.approx(0.0, abs=1e-9)
    assert lamps.at(48.0 * HOUR_S + 5.0) == pytest.approx(lamps.at(5.0))
