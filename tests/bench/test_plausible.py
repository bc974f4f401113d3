"""What a probe can send in tank water, titrated or not, is taken; what only a broken circuit sends is refused."""

import gsw
import pytest

from saltern.bench.plausible import implausible
from saltern.chemistry.electrode import nernst_slope_mv
from saltern.ports import Reading

COLD_C, WARM_C = 2.0, 45.0
AD_RAIL_MV = 2048.0
"""Full scale of a usual converter of sixteen bits (data sheets of its kind, from memory)."""

IN_WATER = [
    ("ph", "mV", 60.0 + 1.05 * nernst_slope_mv(WARM_C) * 7.0),  # pH 0 with offset and slope to spare
    ("ph", "mV", -60.0 - 1.05 * nernst_slope_mv(WARM_C) * 7.0),
    ("ph", "pH", 0.0),
    ("ph", "pH", 14.0),
    ("conductivity", "mS/cm", 0.0),  # in air
    ("conductivity", "mS/cm", float(gsw.C_from_SP(45.0, 40.0, 0.0))),
    ("conductivity", "uS/cm", 1000.0 * float(gsw.C_from_SP(45.0, 40.0, 0.0))),
    ("temperature", "degC", 5.0),
    ("temperature", "degC", 40.0),
    ("stirrer", "rpm", 3000.0),
    ("balance", "g", 2000.0),
]
BROKEN = [
    ("ph", "mV", AD_RAIL_MV),
    ("ph", "mV", -AD_RAIL_MV),
    ("ph", "mV", 800.0),  # more than pH -5 would give
    ("ph", "mV", -800.0),
    ("ph", "pH", 16.0),
    ("ph", "pH", -2.0),
    ("conductivity", "mS/cm", 1.5 * float(gsw.C_from_SP(45.0, 40.0, 0.0))),  # a shorted cell
    ("conductivity", "mS/cm", -2.0),
    ("conductivity", "uS/cm", 1500.0 * float(gsw.C_from_SP(45.0, 40.0, 0.0))),
    ("conductivity", "uS/cm", -2000.0),
    ("temperature", "degC", 0.0),  # what some converters send with nothing at their input
    ("temperature", "degC", 85.0),  # what a 1-wire thermometer sends before its first conversion (DS18B20)
    ("temperature", "degC", -127.0),  # what drivers of that thermometer send where it is gone
    ("stirrer", "rpm", 1e5),
    ("stirrer", "rpm", -1.0),
    ("stirrer", "mA", 1e4),
    ("balance", "g", 1e5),
]


@pytest.mark.parametrize(("role", "unit", "value"), IN_WATER)
def test_what_water_gives_is_taken(role, unit, value):
    assert implausible(role, Reading(value, unit, 0.0)) is None


@pytest.mark.parametrize(("role", "unit", "value"), BROKEN)
def test_what_only_a_broken_circuit_gives_is_refused(role, unit, value):
    said = implausible(role, Reading(value, unit, 0.0))
    assert said is not None
    assert unit in said


def test_what_is_not_known_is_not_judged():
    assert implausible("probe of somebody else's", Reading(1e9, "lux", 0.0)) is None
