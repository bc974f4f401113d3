"""A determination without a wire: what an evaluation would find of the water that a bench draws, from a few numbers.

What is known exactly of a simulated bench is not drawn: gains of pumps as room, wear and faults have them, the titrant
in bottle and line, the cell, the thermometer, the water. How a curve scatters about that is drawn from a table that was
estimated from determinations at the wire (`instrument.toml`, which names its runs). Of the bench file this model knows
volumes and strength, with which a result is computed; no uncertainty that the file states comes into it.

A volume or a strength that is off moves the fitted E0 as well: what is left of the acid beyond the end point is taken
for more, or for less, by the same share, and RT/F times its logarithm is seen (25.7 mV at 25 degC).
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from math import exp, log
from pathlib import Path
from typing import Any, Protocol
from zlib import crc32

import numpy as np
from numpy.typing import NDArray

from saltern.ports import MisuseError
from saltern_drivers.twin.boards import Boards
from saltern_drivers.twin.density import seawater_g_ml
from saltern_drivers.twin.electrode import GAS_OVER_FARADAY_MV, NEUTRAL_NBS_TO_FREE_PH
from saltern_drivers.twin.liquid import Liquid
from saltern_drivers.twin.pumps import PumpHead
from saltern_drivers.twin.unruly_electrode import UnrulyElectrode
from saltern_drivers.twin.world import SEAWATER_G_ML, Intake, World

FloatArray = NDArray[np.float64]

TABLE = Path(__file__).with_name("instrument.toml")
ZERO_C = 273.15
NEUTRAL_TOTAL_PH = 7.0 - NEUTRAL_NBS_TO_FREE_PH - 0.1
"""From the potential at pH 7 of buffers to that at pH 0 of the total scale, in pH: the free scale lies some 0.1 above
the total one. What is left of that is a bench's mean in the table."""

FILL_BEFORE_S = 60.0
"""So long before its pH is read, a sample is drawn."""


class Passing(Protocol):
    """A clock that lets time pass."""

    def monotonic(self) -> float: ...
    def sleep(self, seconds: float) -> None: ...


@dataclass(frozen=True)
class Stated:
    """What the bench goes by.

    Parameters
    ----------
    sample_ml, residue_ml
        The fill, and what a drain leaves, which counts as sample.
    sample_ml_per_unit, titrant_ml_per_unit, titrant_mol_per_l
        With which volumes and acid are computed.
    discard_ml
        Of titrant, before each run.
    drawn_ml
        Of tank water in one run, the sample included.
    """

    sample_ml: float
    residue_ml: float
    sample_ml_per_unit: float
    titrant_ml_per_unit: float
    titrant_mol_per_l: float
    discard_ml: float
    drawn_ml: float

    @classmethod
    def by(cls, bench: Mapping[str, Any], drawn_ml: float) -> "Stated":
        """Return what a bench file says, with the calibrations that count."""
        return cls(
            sample_ml=bench["sample"]["volume_ml"],
            residue_ml=bench["vessel"]["residue_ml"],
            sample_ml_per_unit=bench["pumps"]["sample"]["ml_per_unit"],
            titrant_ml_per_unit=bench["pumps"]["titrant"]["ml_per_unit"],
            titrant_mol_per_l=bench["titrant"]["concentration_mol_per_l"],
            discard_ml=bench["titrant"]["tip_discard_ml"],
            drawn_ml=drawn_ml,
        )


@dataclass(frozen=True)
class Found:
    """What the boards said and an evaluation found, before any judge; uncertainties are k = 1, as it would state them.

    `why` is the reason of a run that did not come to its end; it has no more than its times then.
    """

    ph_read_s: float
    finished_s: float
    why: str = ""
    alkalinity_umol: float = 0.0  # in the whole sample, without a titre factor
    u_relative: float = 0.0
    e0_mv: float = 0.0
    e0_u_mv: float = 0.0
    slope: float = 1.0
    slope_u: float = 0.0
    e0_slope_covariance: float = 0.0
    points: int = 0
    residual_mv: float = 0.0
    spoilt_by: str = ""
    ph_total: float = 0.0
    ph_u: float = 0.0
    ph_model_u: float = 0.0
    conductivity_ms_cm: float = 0.0
    temperature_c: float = 0.0
    titrant_ml: float = 0.0


@dataclass(frozen=True)
class Scatter:
    """How evaluations scatter, of one class of instruments in one world: a table of `instrument.toml`.

    What errors of volumes and strength do is not in it. Four errors go together, in this order: logarithm of the
    alkalinity, E0 in mV, slope, pH.
    """

    bench_mean: tuple[float, ...]  # over benches, of a bench's mean
    bench_sd: tuple[float, ...]
    bench_correlation: tuple[tuple[float, ...], ...]
    own_sd: tuple[float, ...]  # from run to run
    own_correlation: tuple[tuple[float, ...], ...]
    own_sd_spread: float  # sd, from bench to bench, of the logarithm of own_sd
    follows: float  # correlation of a run's errors with those of the run before
    spoilt: tuple[float, ...]  # share of a bench's curves with something against them, one of these to each bench
    spoilt_by: Mapping[str, float]  # by what: flags, and readings that never settled
    spoilt_stretch: float  # how many times further off these are
    spoilt_u: float  # how many times more uncertain by their own statement
    void: tuple[float, ...]  # share of a bench's runs that come to no end, one of these to each bench
    void_by: Mapping[str, float]
    u_relative: float  # what the evaluation states: medians
    u_spread: float  # sd of the logarithm of u_relative from bench to bench
    e0_u_mv: float
    slope_u: float
    ph_u: float
    ph_model_u: float
    residual_mv: float
    points: int
    ph_read_s: float
    takes_s: float
    takes_sd_s: float
    tank_share: float  # of the way from the room's to the tank's temperature
    titrant_over_end_point: float


KNOWN_FAULTS = frozenset(
    {
        "sample-pump-stalled", "titrant-pump-stalled", "pump-gain-shift", "sample-line-air", "titrant-line-air",
        "sample-source-low", "titrant-empty", "titrant-wrong-strength", "ph-disconnected", "ph-frozen",
        "conductivity-disconnected", "conductivity-bubble", "temperature-open",
    }
)  # fmt: skip
"""Faults that a result shows as it does at the wire, or that leave none."""

UNKNOWN_ACTS = frozenset({"empty", "rinse", "park", "resume", "blank"})
"""What a person may say that would leave the vessel otherwise than a determination does, or draws no seawater."""

KNOWN_TRUTHS = frozenset(
    {
        "sample_ml_per_unit", "titrant_ml_per_unit", "titrant_mol_per_l", "sample_repeatability_percent",
        "titrant_dose_scatter_percent", "residue_ml", "residue_scatter_ml", "titre_ramp_percent_per_month",
        "sample_ramp_percent_per_month", "ramp_from_h", "flow_percent_per_k", "evaporation_g_per_day",
        "flow_loss_percent_per_m", "tank_level_swing_mm",
        "permeation_percent_per_day", "electrode_offset_mv", "electrode_slope_percent", "electrode_drift_mv_per_h",
        "e0_wander_mv_per_day", "e0_knocks_per_month", "e0_knock_mv", "conductivity_gain",
        "light_mv", "light_from_h",
        "conductivity_noise_percent", "temperature_offset_k", "room_c", "room_swing_k", "room_season_k",
        "tank_volume_l", "dose_percent", "dose_scatter_percent", "log_delay_h",
    }
)  # fmt: skip
"""Truths that are played one by one; the others are in the scatter, as a world draws them."""


@cache
def _tables() -> dict[str, Any]:
    return tomllib.loads(TABLE.read_text(encoding="utf-8"))


def scattered_worlds() -> frozenset[str]:
    """Return the worlds of which a scatter was estimated."""
    return frozenset(_tables())


@cache
def scatter_of(instruments: str, world: str) -> Scatter:
    """Return the table of a class in a world.

    Raises
    ------
    MisuseError
        None was estimated.
    """
    table = _tables().get(world, {}).get(instruments)
    if table is None:
        raise MisuseError(
            f"no scatter was estimated of {instruments} instruments in the world {world!r}",
            where=TABLE.name,
            remedy='Say detail = "wire"',
        )
    return Scatter(**{name: _frozen(value) for name, value in table.items()})


def _frozen(value: Any) -> Any:
    return tuple(_frozen(each) for each in value) if isinstance(value, list) else value


class Instrument:
    """One bench's instrument by its results.

    Parameters
    ----------
    world, boards
        The simulated bench: its truths, its faults, and the water that it draws.
    clock
        Passes while it measures.
    scatter, seeds
        Of what is drawn; benches of one seed and another class or world have other seeds, lest they go alike.
    """

    def __init__(self, world: World, boards: Boards, clock: Passing, scatter: Scatter, seeds: list[int]) -> None:
        self._world, self._boards, self._clock, self._scatter = world, boards, clock, scatter
        s, bench = scatter, np.random.default_rng([*seeds, crc32(b"instrument of a bench")])
        self._random = np.random.default_rng([*seeds, crc32(b"results")])
        self._off = np.array(s.bench_mean) + np.array(s.bench_sd) * (_root(s.bench_correlation) @ bench.normal(size=4))
        self._own_sd = np.array(s.own_sd) * exp(bench.normal(0.0, s.own_sd_spread))
        self._u_relative = s.u_relative * exp(bench.normal(0.0, s.u_spread))
        self._void = bench.choice(s.void)
        self._spoilt = bench.choice(s.spoilt)
        self._own_root = _root(s.own_correlation)
        self._own = self._own_root @ self._random.normal(size=4)

    def determine(self, file: Mapping[str, Any], drawn_ml: float) -> Found:
        """Draw a sample, measure and titrate it; time passes.

        Parameters
        ----------
        file
            The bench file as a table, with the calibrations that count now.
        drawn_ml
            Of tank water that one run takes.
        """
        bench = Stated.by(file, drawn_ml)
        s, clock, begun_s = self._scatter, self._clock, self._clock.monotonic()
        takes_s = max(s.ph_read_s + 60.0, self._random.normal(s.takes_s, s.takes_sd_s))
        clock.sleep(s.ph_read_s - FILL_BEFORE_S)
        why = self._fill(bench)
        clock.sleep(FILL_BEFORE_S)
        ph_read_s = clock.monotonic()
        why = why or self._unread()
        found: dict[str, Any] = {"why": why}
        if not why:
            self._boards.ph_seen.append((ph_read_s, self._world.ph_total(), self._world.salinity()))
            found = self._titrate(bench)
        clock.sleep(begun_s + takes_s - clock.monotonic())
        self._leave(bench)
        return Found(ph_read_s=ph_read_s, finished_s=clock.monotonic(), **found)

    # Water ------------------------------------------------------------------------------

    def _fill(self, bench: Stated) -> str:
        """Rinse and fill; return why there is no sample."""
        world = self._world
        head, source = world.pumps["sample"], world.source or world.tank
        rate = world.given("sample") * _rate(head, bench.sample_ml_per_unit) * (1.0 - world.sample_line_air)
        if rate <= 0.0 or world.sample_source_low:
            return "sample-not-drawn"
        source.advance(world.at_s)
        density = source.density_g_ml()
        source.draw((bench.drawn_ml - bench.sample_ml) * rate * density)
        filled_ml = bench.sample_ml * rate * (1.0 + self._random.normal(0.0, head.repeatability))
        left_ml = max(0.0, self._random.normal(world.residue_ml, world.truths.errors.residue_ml))
        water = source.draw(filled_ml * density)
        if world.real["filling_co2_share"] > 0.0:
            world._fall(water, source.temperature_c)
        water.pour_in(source.water(left_ml * density))  # of the rinse
        world.intakes.append(Intake(world.at_s, water.share(water.mass_g)))
        self._stand(water, world.room_c + self._scatter.tank_share * (source.temperature_c - world.room_c))
        return ""

    def _leave(self, bench: Stated) -> None:
        """Leave the probes in fresh sample."""
        world = self._world
        kept_ml = world.bench["sample"]["keep_wet_ml"] + bench.residue_ml
        self._stand((world.source or world.tank).water(kept_ml * SEAWATER_G_ML), world.temperature_c)

    def _stand(self, water: Liquid, temperature_c: float) -> None:
        self._world.vessel, self._world.temperature_c = water, temperature_c
        self._world._dirty = True

    # Probes -----------------------------------------------------------------------------

    def _unread(self) -> str:
        """Return why probes cannot be read, or acid cannot be seen."""
        world = self._world
        absent = world.electrode.disconnected_since_s is not None or world.conductivity_disconnected
        if absent or world.temperature_open:
            return "probe-fault"
        if world.electrode.frozen:
            return "no-response-to-titrant"
        return self._one_of(self._scatter.void_by) if self._random.random() < self._void else ""

    def _shown(self, role: str) -> float:
        """Return what a board says, in the first of its units: mS/cm, degC."""
        shown = float(self._boards._answers[role]())
        return shown / 1000.0 if self._world.bench["probes"][role]["board"].get("unit") == "uS/cm" else shown

    # Acid -------------------------------------------------------------------------------

    def _titrate(self, bench: Stated) -> dict[str, Any]:
        world, s, sample = self._world, self._scatter, self._world.vessel
        umol = sample.alkalinity / 1000.0
        umol_ml = 1000.0 * bench.titrant_mol_per_l
        asked_ml = s.titrant_over_end_point * umol / umol_ml
        strength = self._acid_umol(bench, asked_ml) / (asked_ml * umol_ml)
        if strength < 1.0 / s.titrant_over_end_point:  # no end point comes
            return {"why": "no-response-to-titrant"}
        kelvin = world.temperature_c + ZERO_C
        stated_g = (bench.sample_ml + bench.residue_ml) * seawater_g_ml(world.salinity(), world.temperature_c)
        too_high = log(sample.mass_g / stated_g / strength)
        spoilt = bool(self._random.random() < self._spoilt)
        own = self._next_own() * self._own_sd * (s.spoilt_stretch if spoilt else 1.0)
        off = self._off + own
        electrode = world.electrode
        slope = electrode.slope * electrode.slope_error * electrode.slope_loss
        return {
            "alkalinity_umol": umol / strength * exp(off[0]),
            "u_relative": self._u_relative * (s.spoilt_u if spoilt else 1.0),
            "e0_mv": self._e0_mv(slope, kelvin) - GAS_OVER_FARADAY_MV * kelvin * too_high + off[1],
            "e0_u_mv": s.e0_u_mv,
            "slope": slope + off[2],
            "slope_u": s.slope_u,
            "e0_slope_covariance": s.own_correlation[1][2] * s.e0_u_mv * s.slope_u,
            "points": s.points,
            "residual_mv": s.residual_mv,
            "spoilt_by": self._one_of(s.spoilt_by) if spoilt else "",
            "ph_total": world.ph_total() + off[3],
            "ph_u": s.ph_u,
            "ph_model_u": s.ph_model_u,
            "conductivity_ms_cm": self._shown("conductivity"),
            "temperature_c": self._shown("temperature"),
            "titrant_ml": asked_ml,
        }

    def _acid_umol(self, bench: Stated, asked_ml: float) -> float:
        """Take what is asked for out of the bottle, the idle tip's acid first; return the acid that came, umol."""
        world, head = self._world, self._world.pumps["titrant"]
        rate = world.given("titrant") * _rate(head, bench.titrant_ml_per_unit)
        discarded_ml = min(bench.discard_ml * rate, world.bottle_ml)
        world.bottle_ml -= discarded_ml
        world.idle_line.give(discarded_ml)
        world.titrant_line_air_ml = max(0.0, world.titrant_line_air_ml - discarded_ml)
        turned_ml = asked_ml * rate
        turned_ml += head.walk_ml * max(0.0, turned_ml) ** 0.5 * self._random.standard_normal()
        air_ml = min(max(0.0, turned_ml), world.titrant_line_air_ml)
        world.titrant_line_air_ml -= air_ml
        given_ml = min(max(0.0, turned_ml - air_ml), world.bottle_ml)
        world.bottle_ml -= given_ml
        came_umol: float = (given_ml + world.idle_line.give(given_ml)) * world.titrant_umol_ml * world.titrant_factor
        return came_umol

    def _e0_mv(self, slope: float, kelvin: float) -> float:
        """Return the potential at pH 0 of the total scale that the electrode truly has now."""
        world, electrode = self._world, self._world.electrode
        away_mv = 0.0
        if isinstance(electrode, UnrulyElectrode):
            away_mv += 0.0 if electrode.wander is None else electrode.wander.at(world.at_s)
            away_mv += 0.0 if electrode.lamps is None else electrode.lamps.at(world.at_s)
        drift_mv = electrode.drift_mv_per_s * world.at_s + electrode.fault_drift_mv
        return (
            electrode.e7_mv
            + electrode.offset_error_mv
            + drift_mv
            + away_mv
            + GAS_OVER_FARADAY_MV * kelvin * log(10.0) * slope * NEUTRAL_TOTAL_PH
        )

    def _next_own(self) -> FloatArray:
        """Return the next run's own errors, in their standard deviations."""
        phi = self._scatter.follows
        self._own = phi * self._own + (1.0 - phi**2) ** 0.5 * (self._own_root @ self._random.normal(size=4))
        return self._own

    def _one_of(self, weights: Mapping[str, float]) -> str:
        counts = np.array(list(weights.values()))
        return str(self._random.choice(list(weights), p=counts / counts.sum()))


def _rate(head: PumpHead, stated_ml_per_unit: float) -> float:
    """Return what a head gives, over what is stated; nothing where it is stalled."""
    if head.stalled:
        return 0.0
    return head.ml_per_unit * (1.0 + head.gain_shift) * head.passes / stated_ml_per_unit


def _root(correlation: tuple[tuple[float, ...], ...]) -> FloatArray:
    found: FloatArray = np.linalg.cholesky(np.array(correlation))
    return found
