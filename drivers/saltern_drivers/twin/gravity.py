"""What runs through a pump head that does not close, as heights have it: no permit is asked, and no ledger hears.

A line is full unless air stands in it, and its end is either in the air, at its own height, or under the vessel's
surface. Water runs to the lower of both ends. Where an end in the air is the higher one, the line empties backwards.
"""

from collections.abc import Callable, Mapping
from math import pi
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from saltern_drivers.twin.world import World

NOTHING_ML = 1e-6
DAY_S = 86400.0
VISCOSITY_PA_S, DENSITY_KG_M3, GRAVITY_M_S2 = 0.96e-3, 1023.0, 9.81
"""Seawater at 25 degC (Sharqawy, Lienhard & Zubair 2010, Desalin. Water Treat. 16, 354; from memory)."""


def leak(world: "World", pump: str, volume_ml: float, from_s: float) -> None:
    """Let up to a volume run through a pump's head, since a time."""
    if world.closed(pump):
        return
    _WAYS[pump](world, volume_ml, from_s)


def head_mm(world: "World", pump: str) -> float:
    """Return how far a pump lifts liquid now, surface to surface or to an end in air; negative downhill."""
    return _end_mm(world, pump) - _source_mm(world, pump)


def open_flow_ml_s(world: "World", pump: str) -> float:
    """Return what a line passes with its head wide open, mL/s: Hagen-Poiseuille, by the heights of the moment."""
    line = world.bench["pumps"][pump]["line"]
    radius_m, length_m = 0.5e-3 * world.real[f"{pump}_bore_mm"], 1e-3 * line["length_mm"]
    fall_m = 1e-3 * abs(_source_mm(world, pump) - _end_mm(world, pump))
    pressure_pa = DENSITY_KG_M3 * GRAVITY_M_S2 * fall_m
    flow_ml_s: float = 1e6 * pi * pressure_pa * radius_m**4 / (8.0 * VISCOSITY_PA_S * length_m)
    return flow_ml_s


def tank_level_mm(world: "World") -> float:
    """Return the tank's surface: it falls from midnight to midnight, and is then topped up."""
    swing_mm = world.real["tank_level_swing_mm"]
    return world.real["tank_surface_mm"] + (swing_mm * (1.0 - 2.0 * (world.at_s / DAY_S % 1.0)) if swing_mm else 0.0)


def _source_mm(world: "World", pump: str) -> float:
    """Return the height of the surface that a line draws from."""
    return {
        "sample": tank_level_mm(world),
        "titrant": world.real["bottle_surface_mm"],
        "waste": world.surface_mm(),
    }[pump]


def _end_mm(world: "World", pump: str) -> float:
    """Return the height at which a line's end meets the air, or the surface over it."""
    if pump == "waste":
        return world.real["waste_outlet_mm"]
    end_mm = world.real["sample_outlet_mm" if pump == "sample" else "titrant_tip_mm"]
    return max(end_mm, world.surface_mm())


def _sample(world: "World", volume_ml: float, from_s: float) -> None:
    if world.bench["pumps"]["sample"]["line"].get("vented_break_mm") is not None:
        return  # air comes in at the break, above the source's surface: neither way
    if _source_mm(world, "sample") > _end_mm(world, "sample"):
        world._move("sample", volume_ml, from_s)
    elif (room_ml := _over_end_ml(world, "sample")) > NOTHING_ML:
        world._draw_back(min(volume_ml, room_ml))
    else:
        world._draw_back(min(volume_ml, world.sample_line_ml - world.line_air_ml))


def _titrant(world: "World", volume_ml: float, from_s: float) -> None:
    if _source_mm(world, "titrant") > _end_mm(world, "titrant"):
        world._move("titrant", volume_ml, from_s)
    elif (room_ml := _over_end_ml(world, "titrant")) > NOTHING_ML:
        world.into_bottle(min(volume_ml, room_ml))
    else:
        air_ml = max(0.0, min(volume_ml, world.titrant_line_ml - world.titrant_line_air_ml))
        world.titrant_line_air_ml += air_ml
        world.bottle_ml += air_ml


def _over_end_ml(world: "World", pump: str) -> float:
    """Return what can run out of the vessel through a line: what stands over its end, and over its source."""
    end_mm = world.real["sample_outlet_mm" if pump == "sample" else "titrant_tip_mm"]
    return world.between_ml(max(end_mm, _source_mm(world, pump)), world.surface_mm())


def _waste(world: "World", volume_ml: float, from_s: float) -> None:
    del from_s
    if world.bench["waste"].get("siphon_broken"):
        return
    room_ml = world.between_ml(world.real["waste_outlet_mm"], world.surface_mm())
    if room_ml > 0.0:
        world._drain(min(volume_ml, room_ml))


_WAYS: Mapping[str, Callable[["World", float, float], None]] = {
    "sample": _sample,
    "titrant": _titrant,
    "waste": _waste,
}
