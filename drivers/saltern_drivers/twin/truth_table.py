"""What is true of a simulated bench: one table, drawn by seed about what its bench file states, or apart from it.

A row is a truth: its name and unit, what it is, what the bench file (or the class of instruments) has for it, and how
it is drawn in each world. `near` is a well-built bench: heights within a millimetre, areas within 2 %, noise and
scatter as they come. `apart` is a bench whose file is wrong in what its keeper measured badly. `unfriendly` is that,
with a room, a water and an electrode that no file mentions. Where no source is named, a spread is assumed.

Each row has a random stream of its own, from the seed and its name: a seed gives the same draw whatever else is drawn.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import exp, log
from typing import Any
from zlib import crc32

import numpy as np

from saltern_drivers.twin.instruments import Errors

Bench = Mapping[str, Any]
Stated = Callable[[Bench, Errors], float]
Draw = Callable[[float, np.random.Generator], float]
LAPSE_S = 0.5
"""Of a permit that states none."""
USUAL_VOLUME_L = 400.0
"""Of a tank of which nobody states one."""
WORLDS = ("near", "apart", "unfriendly")

ORR = "Orr et al. 2018, Mar. Chem. 207, 84, standard uncertainties of the constants (from memory)"
REDFIELD = "17 of 106 by Redfield et al. 1963, The Sea 2, 26 (from memory); spread assumed: the tank's own ammonium"
LIGHT = "that there is one: Moody, Oke & Thomas 1969, Analyst 94, 803 (from memory); its size is assumed"
ASSUMED = "assumed"


def exactly(stated: float, random: np.random.Generator) -> float:
    """Return what is stated."""
    del random
    return stated


def within(most: float) -> Draw:
    """Return a draw evenly within so much of what is stated."""
    return lambda stated, random: stated + random.uniform(-most, most)


def within_share(most: float) -> Draw:
    """Return a draw evenly within a share of what is stated."""
    return lambda stated, random: stated * (1.0 + random.uniform(-most, most))


def normal(sd: float) -> Draw:
    """Return a draw about what is stated, with a standard deviation."""
    return lambda stated, random: stated + random.normal(0.0, sd)


def normal_share(sd: float) -> Draw:
    """Return a draw about what is stated, with a relative standard deviation."""
    return lambda stated, random: stated * (1.0 + random.normal(0.0, sd))


def scattered(share: float) -> Draw:
    """Return a draw whose logarithm scatters by a share about that of what is stated."""
    return lambda stated, random: stated * exp(random.normal(0.0, share))


def times(least: float, most: float) -> Draw:
    """Return a draw between two multiples of what is stated, even in the logarithm."""
    return lambda stated, random: stated * exp(random.uniform(log(least), log(most)))


def between(least: float, most: float) -> Draw:
    """Return a draw evenly between two values, whatever is stated."""
    return lambda stated, random: random.uniform(least, most)


def spread(least: float, most: float) -> Draw:
    """Return a draw between two values, even in the logarithm, whatever is stated."""
    return lambda stated, random: exp(random.uniform(log(least), log(most)))


def lognormal(median: float, sd_ln: float) -> Draw:
    """Return a draw about a median, whatever is stated."""
    return lambda stated, random: median * exp(random.normal(0.0, sd_ln))


def either(stated: float, random: np.random.Generator) -> float:
    """Return 0 or 1."""
    del stated
    return float(random.random() < 0.5)


@dataclass(frozen=True)
class Row:
    """One truth. `unfriendly` is `apart` unless it is given."""

    name: str
    unit: str
    what: str
    stated: Stated
    least: float
    most: float
    near: Draw = exactly
    apart: Draw | None = None
    unfriendly: Draw | None = None
    source: str = ASSUMED
    of_class: str = ""  # the field of `instruments.Truths` that it is; `stated` is then what that field's 1 stands for
    error: str = ""  # the field of `instruments.Errors` that it is

    def drawn(self, world: str, stated: float, seed: int) -> float:
        """Return the truth of a world, within the row's bounds."""
        apart = self.apart or self.near
        draw = {"near": self.near, "apart": apart, "unfriendly": self.unfriendly or apart}[world]
        random = np.random.default_rng([seed, crc32(self.name.encode())])
        return min(self.most, max(self.least, float(draw(stated, random))))


def _at(*path: str) -> Stated:
    """Return what a bench file has at a place."""

    def stated(bench: Bench, errors: Errors) -> float:
        del errors
        here: Any = bench
        for key in path:
            here = here[key]
        return float(here)

    return stated


def _value(value: float) -> Stated:
    return lambda bench, errors: value


def _error(name: str, scale: float = 1.0) -> Stated:
    return lambda bench, errors: scale * float(getattr(errors, name))


def longest_lapse_s(bench: Bench) -> float:
    """Return the longest lapse of the bench's permits, as it is stated."""
    return max(float((pump["permit"] or {}).get("lapse_s", LAPSE_S)) for pump in bench["pumps"].values())


def _tip(bench: Bench, errors: Errors) -> float:
    del errors
    tip = bench["sample"].get("draw_down")
    return float(tip["tip_mm"]) if tip else 0.0


def _volume(bench: Bench, errors: Errors) -> float:
    del errors
    return float((bench.get("tank") or {}).get("volume_l", USUAL_VOLUME_L))


NEAR_MM, APART_MM = within(1.0), within(3.0)


def _height(name: str, what: str, *path: str, least: float = 0.0, most: float = 300.0) -> Row:
    return Row(name, "mm", what, _at(*path), least, most, NEAR_MM, APART_MM)


def _level(name: str, what: str, *path: str) -> Row:
    return Row(name, "mm", what, _at(*path), -5000.0, 5000.0, within(1.0), within(20.0))


def _scatter(name: str, unit: str, what: str, error: str, scale: float = 1.0, most: float = 100.0) -> Row:
    return Row(name, unit, what, _error(error, scale), 0.0, most, scattered(0.2), times(0.5, 3.0), error=error)


def _class(name: str, unit: str, what: str, field: str, stated: Stated, least: float, most: float, **draws: Any) -> Row:
    return Row(name, unit, what, stated, least, most, of_class=field, **draws)


def _absent(name: str, unit: str, what: str, least: float, most: float, draw: Draw, source: str = ASSUMED) -> Row:
    """Return a row of what no bench file has, and only an unfriendly world."""
    return Row(name, unit, what, _value(0.0), least, most, unfriendly=draw, source=source)


VESSEL = (
    Row(
        "vessel_area_cm2", "cm2", "cross-section of the vessel", _at("vessel", "area_cm2"), 1.0, 500.0,
        within_share(0.02), within_share(0.05),
    ),
    _height("spout_mm", "lower edge of the spout", "vessel", "spout_mm", least=5.0),
    _height("overfill_switch_mm", "where the overfill float acts", "vessel", "overfill_switch_mm", least=5.0),
    _height("conductivity_tip_mm", "where the conductivity cell is just covered", "vessel", "conductivity_tip_mm"),
    _height("ph_tip_mm", "tip of the pH probe", "vessel", "ph_tip_mm"),
    _height("titrant_tip_mm", "end of the titrant line", "vessel", "titrant_tip_mm"),
    _height("sample_outlet_mm", "end of the sample line", "pumps", "sample", "line", "outlet_mm"),
    Row("draw_down_tip_mm", "mm", "height of the draw-down tip", _tip, 0.0, 300.0, normal_share(0.01), APART_MM),
    _level("tank_surface_mm", "surface of the tank, above the vessel's floor", "pumps", "sample", "line", "inlet_mm"),
    _level("bottle_surface_mm", "surface of the titrant", "pumps", "titrant", "line", "inlet_mm"),
    _level("waste_outlet_mm", "end of the waste line", "pumps", "waste", "line", "outlet_mm"),
    Row(
        "residue_ml", "mL", "what a drain leaves", _at("vessel", "residue_ml"), 0.0, 50.0,
        scattered(0.05), times(0.5, 2.0),
    ),
    _scatter("residue_scatter_ml", "mL", "its scatter from drain to drain", "residue_ml"),
)  # fmt: skip

PUMPS = (
    Row(
        "permit_lapse_s", "s", "how long the slowest permit holds after its last edge",
        lambda bench, errors: longest_lapse_s(bench), 0.05, 30.0,
        apart=times(0.5, 4.0),
    ),
    _class(
        "sample_ml_per_unit", "mL", "what the sample pump gives a step, or a second", "sample_gain",
        _at("pumps", "sample", "ml_per_unit"), 1e-7, 100.0,
    ),
    _class(
        "waste_ml_per_unit", "mL", "what the waste pump gives a step, or a second", "waste_gain",
        _at("pumps", "waste", "ml_per_unit"), 1e-7, 100.0, apart=within_share(0.1),
    ),
    _class(
        "titrant_ml_per_unit", "mL", "what the titrant pump gives a step, or a second", "titrant_gain",
        _at("pumps", "titrant", "ml_per_unit"), 1e-7, 100.0,
    ),
    _scatter("sample_repeatability_percent", "%", "scatter of one fill", "sample_repeatability", 100.0),
    _scatter("titrant_dose_scatter_percent", "%", "scatter of 0.05 mL of titrant", "dose_step", 100.0),
    *(
        Row(
            f"{pump}_bore_mm", "mm", f"inner diameter of the {pump} line", _at("pumps", pump, "line", "bore_mm"),
            0.05, 20.0, apart=within_share(0.15),
        )
        for pump in ("sample", "waste", "titrant")
    ),
    _absent(
        "titre_ramp_percent_per_month", "%/month",
        "rise of results made with the starting factor, 30 days to the month: the titrant pump gives less",
        -50.0, 50.0, normal(1.0),
    ),
    _absent(
        "sample_ramp_percent_per_month", "%/month", "what the sample pump gives more: results rise",
        -50.0, 50.0, normal(1.0),
    ),
    Row("ramp_from_h", "h", "when the two ramps begin", _value(0.0), 0.0, 24_000.0),
    _absent("flow_percent_per_k", "%/K", "what all pumps give more in a warmer room", -5.0, 5.0, normal(0.15)),
    _absent(
        "flow_loss_percent_per_m", "%/m", "what all pumps give less with each metre of head more than when calibrated",
        -20.0, 50.0, between(0.0, 3.0),
    ),
    _absent(
        "tank_level_swing_mm", "mm", "half of what the tank's surface falls in a day before it is topped up",
        0.0, 500.0, between(0.0, 20.0),
    ),
)  # fmt: skip

TITRANT = (
    _class(
        "titrant_mol_per_l", "mol/L", "strength of the titrant as it was poured", "titrant_strength",
        _at("titrant", "concentration_mol_per_l"), 1e-4, 5.0,
    ),
    _absent(
        "evaporation_g_per_day", "g/day", "water that leaves the titrant bottle", 0.0, 50.0, spread(0.02, 0.5)
    ),
    _absent(
        "permeation_percent_per_day", "%/day", "how fast titrant in its idle line loses water through the wall",
        0.0, 100.0, spread(0.3, 11.0), "order of what 4 h and 24 h in 0.45 mL of silicone line were calculated to do",
    ),
)  # fmt: skip

SAMPLE_LINE = (
    _absent(
        "biofilm_umol_kg_per_h", "umol/kg/h",
        "carbon dioxide that water in the idle sample line takes up at first; it ends with the water's oxygen",
        0.0, 5000.0, spread(1.0, 100.0),
    ),
    Row(
        "biofilm_alkalinity_share", "1", "alkalinity that goes with each of it", _value(0.16), -2.0, 2.0,
        unfriendly=between(0.0, 0.5), source=REDFIELD,
    ),
    _absent(
        "tip_dryness_percent", "%", "100 less the relative humidity at ends of sample and titrant line: salt creeps",
        0.0, 100.0, between(2.0, 50.0),
    ),
    Row(
        "crust_dissolves_in_ml", "mL", "water that takes the crust on the sample line's end down by a factor of e",
        _value(10.0), 0.01, 10_000.0, unfriendly=spread(1.0, 100.0),
    ),
)  # fmt: skip

PROBES = (
    Row(
        "electrode_lag_s", "s", "time constant of the pH electrode", _error("lag_s"), 0.05, 300.0,
        apart=times(1.0, 10.0), error="lag_s",
    ),
    _scatter("electrode_noise_mv", "mV", "noise of its signal", "noise_mv"),
    _class(
        "electrode_offset_mv", "mV", "E0 against what was calibrated, in seawater", "electrode_offset_mv",
        _value(1.0), -200.0, 200.0,
    ),
    _class(
        "electrode_slope_percent", "%", "slope, of Nernst's", "electrode_slope",
        _at("probes", "ph", "slope_percent"), 50.0, 120.0,
    ),
    _class(
        "electrode_drift_mv_per_h", "mV/h", "steady drift of E0", "drift_mv_per_s", _value(3600.0), -50.0, 50.0
    ),
    _absent(
        "electrode_curvature_mv", "mV", "departure at pH 8 from the line through pH 4 and 7", -20.0, 20.0, normal(1.0)
    ),
    _absent("electrode_slow_share", "1", "share of a step that follows slowly", 0.0, 0.5, between(0.0, 0.03)),
    Row(
        "electrode_slow_lag_s", "s", "how slowly", _value(60.0), 1.0, 3600.0, unfriendly=spread(20.0, 200.0)
    ),
    _absent(
        "electrode_hysteresis_mv", "mV", "half the gap between falling and rising pH", 0.0, 20.0, between(0.0, 0.3)
    ),
    _absent(
        "stirring_potential_mv", "mV", "what full stirring adds to the electrode's signal", -20.0, 20.0, normal(1.0)
    ),
    _absent(
        "light_mv", "mV", "what the tank's lamps add to the electrode's signal while they shine, 12 h a day",
        -50.0, 50.0, normal(0.5), LIGHT,
    ),
    Row(
        "light_from_h", "h", "when the lamps go on, from midnight", _value(9.0), 0.0, 24.0,
        unfriendly=between(6.0, 12.0),
    ),
    _absent(
        "e0_wander_mv_per_day", "mV/day^0.5", "random walk of E0, standard deviation after a day",
        0.0, 50.0, between(0.2, 0.5),
    ),
    _absent("e0_knocks_per_month", "1/month", "how often E0 is knocked", 0.0, 300.0, between(0.0, 3.0)),
    Row(
        "e0_knock_mv", "mV", "standard deviation of a knock", _value(3.0), 0.0, 50.0, unfriendly=between(1.0, 5.0)
    ),
    _class(
        "conductivity_gain", "1", "of the cell, against what was calibrated", "conductivity", _value(1.0), 0.2, 5.0
    ),
    _scatter("conductivity_noise_percent", "%", "noise of its signal", "conductivity_noise", 100.0),
    _class(
        "temperature_offset_k", "K", "error of the thermometer", "temperature_offset_k", _value(1.0), -20.0, 20.0
    ),
)  # fmt: skip

ROOM = (
    Row("room_c", "degC", "the room's mean temperature", _value(24.0), 5.0, 40.0, apart=between(19.0, 28.0)),
    _absent("room_swing_k", "K", "amplitude of its day", 0.0, 15.0, between(0.5, 4.0)),
    _absent("room_season_k", "K", "amplitude of its year", 0.0, 15.0, between(0.0, 4.0)),
    Row(
        "air_pco2_uatm", "uatm", "carbon dioxide of its air", _value(450.0), 200.0, 10_000.0,
        apart=spread(400.0, 1500.0),
    ),
    Row(
        "co2_loss_per_min", "1/min", "rate at which 100 mL lose CO2 at full stirring", _value(0.1), 0.0, 10.0,
        apart=times(0.3, 3.0),
    ),
    Row("mixing_s", "s", "time constant of mixing, stirred", _value(0.8), 0.01, 60.0, apart=times(0.5, 2.0)),
    _absent("filling_co2_share", "1", "share of its way to the air's CO2 that water goes in falling into the vessel",
            0.0, 1.0, between(0.0, 0.3)),
)  # fmt: skip

WATER = (
    Row(
        "borate_ratio", "1", "borate of the tank's salt over that of natural seawater", _value(1.0), 0.0, 20.0,
        unfriendly=lognormal(1.1, 0.35),
    ),
    Row("fluoride_ratio", "1", "fluoride likewise", _value(1.0), 0.0, 20.0, unfriendly=lognormal(1.0, 0.25)),
    _absent("phosphate_umol_kg", "umol/kg", "phosphate of the tank", 0.0, 500.0, spread(0.1, 10.0)),
    _absent("silicate_umol_kg", "umol/kg", "silicate of the tank", 0.0, 1000.0, spread(0.5, 50.0)),
    _absent(
        "organic_umol_kg", "umol/kg", "one organic base of the tank; part of its alkalinity", 0.0, 500.0,
        lognormal(8.0, 0.7),
    ),
    Row(
        "organic_pk", "1", "its pK, free scale", _value(5.0), 2.0, 11.0, unfriendly=between(4.0, 7.5)
    ),
    _absent(
        "kf_perez_fraga", "1", "KF: 1 of Perez & Fraga 1987 (Mar. Chem. 21, 161), 0 of Dickson & Riley 1979",
        0.0, 1.0, either, "both are in use: Dickson, Sabine & Christian 2007, PICES Spec. Publ. 3, chapter 5",
    ),
    *(
        _absent(f"{name}_error", "1", f"true {words} less the published one", -0.3, 0.3, normal(sd), ORR)
        for name, words, sd in (
            ("pk1", "pK1", 0.0075), ("pk2", "pK2", 0.015), ("pkb", "pKB", 0.01), ("pkw", "pKW", 0.01),
            ("pks", "pKS", 0.0075),
        )
    ),
)  # fmt: skip

TANK = (
    Row(
        "tank_volume_l", "L", "the tank's water; the keeper states the volume", _volume, 2.0, 200_000.0,
        normal_share(0.015),
    ),
    Row(
        "dose_percent", "%", "what doses raise more than the keeper counts with", _value(0.0), -50.0, 100.0,
        normal(1.0),
    ),
    Row("dose_scatter_percent", "%", "scatter of the doser from day to day (1 sd)", _value(0.0), 0.0, 50.0),
    Row("log_delay_h", "h", "how late the keeper writes down what was done", _value(0.0), 0.0, 240.0),
)  # fmt: skip
"""Of the tank and its keeper: played where a scenario states the tank's volume, an event or one of these."""

TABLE: Mapping[str, Row] = {
    row.name: row for row in (*VESSEL, *PUMPS, *TITRANT, *SAMPLE_LINE, *PROBES, *ROOM, *WATER, *TANK)
}


def stated(bench: Bench, errors: Errors) -> dict[str, float]:
    """Return every truth as it is where file and class are right in all, but for what is drawn by class."""
    return {row.name: row.stated(bench, errors) for row in TABLE.values() if not row.of_class}
