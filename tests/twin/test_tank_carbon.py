"""The carbon of the simulated tank is a state: its pH follows from it, by PyCO2SYS as by the twin's own balance."""

import numpy as np
import PyCO2SYS
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from saltern_drivers.twin.tank import Tank

DAY_S, HOUR_S = 86400.0, 3600.0


def by_reference(tanks):
    """Return pH (total scale) and pCO2 of waters as PyCO2SYS has them: Lueker et al. 2000, Lee et al. 2010."""
    found = PyCO2SYS.sys(
        par1=np.array([alkalinity for alkalinity, _ in tanks]),
        par2=np.array([carbon for _, carbon in tanks]),
        par1_type=1,
        par2_type=2,
        salinity=35.0,
        temperature=25.5,
        opt_k_carbonic=10,
        opt_total_borate=2,
    )
    return found["pH_total"], found["pCO2"]


def of(tank):
    return tank.alkalinity_umol_kg, tank.carbon_umol_kg()


def ph_of(tank):
    return float(by_reference([of(tank)])[0][0])


def a_day(tank, day):
    """Return the tank's waters at each hour of a day."""
    found = []
    for hour in range(24):
        tank.advance(day * DAY_S + hour * HOUR_S)
        found.append(of(tank))
    return found


def test_ph_swings_from_morning_to_afternoon_and_each_day_is_like_the_last():
    tank = Tank(ph_total=8.05)
    first, second, third = (list(by_reference(a_day(tank, day))[0]) for day in range(3))

    assert 0.1 < max(first) - min(first) < 0.3
    assert 12 <= first.index(max(first)) <= 17
    assert 0 <= first.index(min(first)) <= 6
    assert sum(first) / 24 == pytest.approx(8.05, abs=0.02)
    assert second == pytest.approx(first, abs=0.03)
    assert third == pytest.approx(second, abs=0.003)


def test_a_tank_that_is_not_dosed_turns_less_alkaline_and_gives_carbon_to_the_air():
    tank = Tank(dosed_dkh_per_day=0.0, consumption_dkh_per_day=0.8)
    begin, ph = tank.alkalinity_umol_kg, ph_of(tank)
    carbon = tank.carbon_umol_kg()
    tank.advance(3 * DAY_S)
    lost, now = begin - tank.alkalinity_umol_kg, ph_of(tank)

    assert ph - 0.3 < now < ph - 0.1
    assert 0.5 * lost < carbon - tank.carbon_umol_kg() < 1.1 * lost  # lime alone takes a half


def test_soda_raises_the_ph_at_once_and_the_air_takes_it_back():
    left = Tank()
    dosed = Tank()
    for tank in (left, dosed):
        tank.advance(12 * HOUR_S)
    dosed.dose(1.0)
    off = [ph_of(dosed) - ph_of(left)]
    for hours in (15, 18, 36):
        for tank in (left, dosed):
            tank.advance(hours * HOUR_S)
        off.append(ph_of(dosed) - ph_of(left))

    assert 0.1 < off[0] < 0.4
    assert off == sorted(off, reverse=True)
    assert 0.0 < off[-1] < 0.5 * off[0]  # more alkalinity in balance with the same air stays less acid


def test_with_time_its_carbon_dioxide_comes_to_that_of_the_air():
    tank = Tank(ph_total=8.05)
    tank.dose(2.0)
    dosed = a_day(tank, 4)
    alone = a_day(Tank(ph_total=8.05), 0)

    assert np.mean(by_reference(dosed)[1]) == pytest.approx(np.mean(by_reference(alone)[1]), rel=0.03)


@settings(max_examples=20, deadline=None)
@given(st.lists(st.floats(min_value=1.0, max_value=5 * HOUR_S), min_size=1, max_size=20))
def test_its_course_does_not_depend_on_how_often_somebody_looks(pauses):
    often, once = Tank(), Tank()
    at_s = 0.0
    for pause in pauses:
        at_s += pause
        often.advance(at_s)
    once.advance(at_s)

    assert often.carbon_umol_kg() == pytest.approx(once.carbon_umol_kg(), abs=1e-6)


def test_a_change_of_all_water_brings_new_water_in_balance_with_the_same_room():
    tank = Tank()
    tank.advance(0.25 * DAY_S)
    tank.change_water(1.0, 2300.0, 35.0)
    assert ph_of(tank) == pytest.approx(8.1, abs=0.15)
    assert tank.carbon_umol_kg() < 2150.0
