"""Certified values of reference waters, from the package seawater-crm, as inputs of a standardisation.

The laboratory that certifies them has published salinity, carbon and alkalinity of every batch; the certified
alkalinity is good to about 1 umol/kg (its own statement; from memory).
"""

import pytest

from saltern.model.determination import Source
from saltern_drivers.twin.tank import Tank
from tests.keeper import keeper

crm = pytest.importorskip("seawater_crm")


def batch(number):
    table = crm.dickson.get_crm_batches()
    row = table.loc[number] if number in table.index else table[table.iloc[:, 0] == number].iloc[0]
    return float(row["salinity"]), float(row["alkalinity"])


@pytest.mark.parametrize("number", [18, 35, 51])
def test_a_certified_water_makes_the_bench_measure_the_tank_right(number):
    salinity, alkalinity = batch(number)
    bottle = Tank(
        alkalinity_umol_kg=alkalinity,
        salinity=salinity,
        temperature_c=24.0,
        consumption_dkh_per_day=0.0,
        dosed_dkh_per_day=0.0,
        mass_g=1e12,
    )
    hands = keeper(seed=100 + number, reference=bottle)
    found = hands.run("standardise", alkalinity_umol_kg=alkalinity, u_umol_kg=1.0, lot=f"batch {number}")
    truths = hands.world.truths
    truth = truths.titrant_gain * truths.titrant_strength * 101.5 / (100.0 * truths.sample_gain + 1.5)
    d = hands.service.measure(Source.TANK)

    off = abs(found["values"]["titre.factor"] / truth - 1.0)
    assert off < 3.5 * found["values"]["titre.u_percent"] / 100.0
    assert abs(d.alkalinity.value - hands.stage.play.tank_alkalinity(d.ph_read_s)) < 3.5 * d.alkalinity.u
