"""The bench as it really is: vessel, pumps, lines, bottle, container, probes, and the tank it draws from.

`advance` integrates to a time from what happened on the wire since. It is called whenever the clock moves, so
everything in it is plain floats and closed forms.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from math import exp, pi, sqrt
from typing import Any

import numpy as np

from saltern.chemistry.seawater import conductivity_ms_cm
from saltern_drivers.twin.back_pressure import back_pressure_of
from saltern_drivers.twin.balance import Balance
from saltern_drivers.twin.beaker import Beaker
from saltern_drivers.twin.biofilm import biofilm_of
from saltern_drivers.twin.crust import ends_of
from saltern_drivers.twin.electrode import Electrode
from saltern_drivers.twin.gravity import head_mm, leak
from saltern_drivers.twin.instruments import Truths
from saltern_drivers.twin.lamps import lamps_of
from saltern_drivers.twin.liquid import Liquid
from saltern_drivers.twin.nature import Nature
from saltern_drivers.twin.protons import LN10, Medium, carbonic_share, medium, ph_free
from saltern_drivers.twin.pumps import PumpHead
from saltern_drivers.twin.seasons import DAY_S, IdleLine, Seasons
from saltern_drivers.twin.tank import Tank
from saltern_drivers.twin.truth import as_stated
from saltern_drivers.twin.truth_table import LAPSE_S, longest_lapse_s
from saltern_drivers.twin.unruly_electrode import UnrulyElectrode, Wander

SEAWATER_G_ML = 1.0233
HCL_DIFFUSION_CM2_S = 3.3e-5
"""Diffusion coefficient of dilute HCl in water at 25 degC (Robinson & Stokes, Electrolyte Solutions; from memory)."""
CO2_LOSS_PER_S_STILL = 0.003 / 60.0
"""Rate of CO2 loss of 100 mL in a beaker; what stirring adds goes with the square of its speed (an assumption)."""
MIXING_S_STILL = 60.0
COOLING_S = 2400.0
SEASON_EVERY_S = 60.0
AIM_EVERY_S = 0.4
STANDS_S = 30.0
"""A world in which nothing moves is integrated so often where nobody asks."""

UNRULY = (
    "electrode_curvature_mv", "electrode_slow_share", "electrode_hysteresis_mv", "stirring_potential_mv",
    "e0_wander_mv_per_day", "e0_knocks_per_month", "light_mv",
)  # fmt: skip
RATTLE_S = 0.6
"""A loose plug that is wiggled opens and closes about so often (assumed)."""
FINGER_S = 2.0
"""Who waits with a finger on the button presses it so long after a pump has begun (assumed)."""
PAUSE_S = 0.15
"""A pump that stood still for longer begins anew; between the chunks of one motion it may stand for less."""


@dataclass
class Intake:
    """What was drawn into the vessel since it was last emptied."""

    begun_s: float
    water: Liquid


@dataclass
class Spilled:
    """Truths that only a simulation can count."""

    spilled_ml: float = 0.0
    beside_ml: float = 0.0  # neither in the vessel, nor in the tray, the container or the bottle
    titrant_to_tank_ml: float = 0.0
    peak_vessel_ml: float = 0.0
    max_titrant_in_one_run_ml: float = 0.0
    max_moving_s_after_trip: float = 0.0
    max_moving_s_after_death: float = 0.0
    titrant_by_day_ml: dict[int, float] = field(default_factory=dict)


@dataclass
class World:
    """Everything physical."""

    bench: Mapping[str, Any]
    truths: Truths
    tank: Tank
    random: np.random.Generator
    at_s: float = 0.0
    _integrated_s: float = field(init=False)
    vessel: Liquid = field(default_factory=Liquid)
    temperature_c: float = 24.0
    unmixed_acid: float = 0.0  # g x umol/kg of acid still in streaks
    stirrer: float = 0.0
    stirrer_power: float = 0.0  # what its driver is asked for; a stirrer held fast does not turn for it
    bottle_ml: float = 0.0
    waste_ml: float = 0.0
    tip_idle_since_s: float = 0.0
    tip_missing_umol: float = 0.0  # acid that has crept out of the tip
    line_air_ml: float = 0.0
    line_stale_ml: float = 0.0
    line_stale: Liquid = field(default_factory=Liquid)
    titrant_since_empty_ml: float = 0.0
    intake: Intake | None = None
    intakes: list[Intake] = field(default_factory=list)
    spilled: Spilled = field(default_factory=Spilled)
    on_add: Callable[[], None] = lambda: None
    # the keeper's hands
    beaker: Beaker | None = None  # where the probes are, when not in the vessel
    collecting: dict[str, float] = field(default_factory=dict)  # mL by pump whose line ends over a cylinder
    source: Tank | None = None  # what the sample line's inlet is in, when not the tank
    reference: Tank | None = None  # what stands at the reference's own inlet
    at_tip: bool = False  # the waste line draws from the draw-down tip
    # faults
    waste_passing: float = 1.0
    residue_extra_ml: float = 0.0
    leak_wet: bool = False
    stirrer_stopped: bool = False
    titrant_line_air_ml: float = 0.0
    sample_line_air: float = 0.0
    sample_source_low: bool = False
    titrant_factor: float = 1.0
    conductivity_factor: float = 1.0
    conductivity_disconnected: bool = False
    temperature_open: bool = False
    temperature_shift_k: float = 0.0
    overfill_broken: bool = False
    overfill_stuck_dry: bool = False
    splash_until_s: float = -1.0
    stop_pressed: bool = False
    stop_from_s: float = float("inf")  # pressed from then on
    stops_next_run: bool = False  # a finger waits for the sample pump to turn
    lifted: set[str] = field(default_factory=set)  # floats and sensors that hands hold up or wet
    plugs_swapped: dict[str, str] = field(default_factory=dict)  # by input, what its wire leads to
    rattles_until_s: dict[str, float] = field(default_factory=dict)  # by input, while its loose plug is wiggled
    head_leaks_ml_s: dict[str, float] = field(default_factory=dict)
    trip_since_s: dict[str, float] = field(default_factory=dict)
    dead_since_s: float | None = None  # no process holds the wires
    powered: bool = True
    motors_on: bool = True  # the motor supply
    hoses_off: bool = False  # out of the pump heads: rollers turn, and nothing moves
    second_float_up: bool = False  # cuts the motors of sample and titrant, and needs no computer
    reversed_pumps: set[str] = field(default_factory=set)  # wired backwards: driven forward, they turn back
    cell_film: float = 0.0  # share of the tank's conductivity that a wet film shows while the cell is in air
    overfill_stuck_wet: bool = False
    tubes_off: set[str] = field(default_factory=set)  # pumps whose line's end hangs beside vessel and tray
    ground_loop_mv: float = 0.0  # of the electrode's signal, while a motor has current
    pump_loop_mv: float = 0.0  # of the electrode's signal, while a pump turns
    probe_loop_mv: float = 0.0  # of the electrode's signal, while the conductivity board is plugged in
    lowest_ml: float = float("inf")  # since whoever asks last set it
    real: dict[str, float] = field(default_factory=dict)  # truths by name; the bench file's where none are given
    seed: int = 0  # of what wanders

    def __post_init__(self) -> None:
        self._integrated_s = self._slow_s = self.at_s
        pumps = self.bench["pumps"]
        errors = self.truths.errors
        real = self.real = self.real or as_stated(self.bench, self.truths)
        self.area_cm2 = real["vessel_area_cm2"]
        self.capacity_ml = self.area_cm2 * real["spout_mm"] / 10.0
        self.overfill_ml = self.area_cm2 * real["overfill_switch_mm"] / 10.0
        self.cell_ml = self.area_cm2 * real["conductivity_tip_mm"] / 10.0
        self.ph_tip_ml = self.area_cm2 * real["ph_tip_mm"] / 10.0
        self.tip_ml = self.area_cm2 * real["titrant_tip_mm"] / 10.0
        self.residue_ml = real["residue_ml"]
        self.waste_capacity_ml = self.bench["waste"]["container_ml"]
        self.bottle_ml = self.bench["titrant"]["bottle_ml"]
        self.sample_end_ml = self.area_cm2 * real["sample_outlet_mm"] / 10.0
        self.sample_line_ml = pi * (real["sample_bore_mm"] / 20.0) ** 2 * pumps["sample"]["line"]["length_mm"] / 10.0
        self.tip_area_cm2 = pi * (real["titrant_bore_mm"] / 20.0) ** 2
        self.titrant_line_ml = self.tip_area_cm2 * pumps["titrant"]["line"]["length_mm"] / 10.0
        strength = self.bench["titrant"]["concentration_mol_per_l"] * self.truths.titrant_strength
        self.titrant_umol_ml = self.poured_umol_ml = strength * 1000.0
        self.seasons = Seasons(real)
        self.idle_line = IdleLine(self.titrant_line_ml, real["permeation_percent_per_day"] / 100.0 / DAY_S)
        self.room_c = real["room_c"]
        self._season_s = float("inf") if self.seasons.still else 0.0
        self._stood_s = 0.0
        self._co2_loss_per_s = real["co2_loss_per_min"] / 60.0
        self._mixing_s = real["mixing_s"]
        self._air_pco2_uatm = real["air_pco2_uatm"]
        nature = Nature(real, self.tank.salinity)
        self.nature = None if nature.plain else nature
        self.tank.nature = self.nature
        self.titrant_ionic = 35.0 if self.bench["titrant"]["background"] == "nacl" else 0.0
        self.pumps = {
            "sample": self._head("sample", self.truths.sample_gain, 0.0, errors.sample_repeatability),
            "waste": self._head("waste", self.truths.waste_gain, 0.0, 0.01),
            "titrant": self._head("titrant", self.truths.titrant_gain, errors.dose_step * sqrt(0.05), 0.0),
        }
        self._heads = tuple(self.pumps.values())
        probe = self.bench["probes"]["ph"]
        self.electrode = Electrode(
            e7_mv=probe["e7_mv"],
            slope=probe["slope_percent"] / 100.0,
            offset_error_mv=self.truths.electrode_offset_mv,
            slope_error=self.truths.electrode_slope,
            drift_mv_per_s=self.truths.drift_mv_per_s,
            lag_s=errors.lag_s,
            noise_mv=errors.noise_mv,
            random=self.random,
        )
        if any(real[name] for name in UNRULY):
            self.electrode = self._unruly(self.electrode)
        (seed,) = self.random.bit_generator.seed_seq.spawn(1)  # type: ignore[attr-defined]
        apart = self._apart = np.random.default_rng(seed)  # benches without a balance are drawn as ever
        self._meniscus_ml: float | None = None
        apart.normal()  # was a tip's height, before that was drawn with the truths: the rest is drawn as ever
        total = errors.e0_mv**2 + errors.junction_mv**2
        of_junction = self.truths.electrode_offset_mv * errors.junction_mv**2 / total
        junction_mv = of_junction + apart.normal(0.0, errors.e0_mv * errors.junction_mv / sqrt(total))
        self.electrode.junction_mv = junction_mv  # the part of the offset that buffers do not show
        self.balance = Balance(
            gain=1.0 + apart.normal(0.0, errors.balance),
            noise_g=errors.balance_noise_g,
            drift_g_per_h=errors.balance_drift_g_per_h,
            creep=errors.balance_creep,
            tube_g=errors.balance_tube_g,
            vibration_g=errors.balance_vibration_g,
            random=apart,
        )
        self._in_vessel: tuple[tuple[float, ...], Medium] | None = None
        self._media: dict[tuple[float, float, bool], Medium] = {}
        self._media_of_own: dict[tuple[float, float, bool, float], Medium] = {}
        self._ph = 8.0
        self._dirty = True
        self._aimed_s = -1.0
        self.biofilm = biofilm_of(real)
        self.sample_end, self.titrant_end = ends_of(real)
        self.back_pressure = back_pressure_of(self.bench, real)
        self._settle(self.residue_ml)
        self._drawing = self._turning = False
        self._waste_began_s = self._waste_moved_s = -1.0
        self._added_s = -1.0
        self._rest_sample_line()

    def _head(self, name: str, gain: float, walk_ml: float, repeatability: float) -> PumpHead:
        pump = self.bench["pumps"][name]
        own_lapse_s = float((pump["permit"] or {}).get("lapse_s", LAPSE_S))
        return PumpHead(
            name,
            pump["ml_per_unit"] * gain,
            walk_ml,
            repeatability,
            self.real["permit_lapse_s"] * own_lapse_s / longest_lapse_s(self.bench),
            self.random,
            nominal_units_s=float(pump["drive"].get("steps_per_s", 1.0)),
        )

    def _unruly(self, plain: Electrode) -> UnrulyElectrode:
        real = self.real
        wander = Wander(
            real["e0_wander_mv_per_day"],
            real["e0_knocks_per_month"] / 30.0,
            real["e0_knock_mv"],
            np.random.default_rng([self.seed, 1]),
        )
        return UnrulyElectrode(
            **plain.__dict__,
            curvature_mv=real["electrode_curvature_mv"],
            slow_share=real["electrode_slow_share"],
            slow_lag_s=real["electrode_slow_lag_s"],
            hysteresis_mv=real["electrode_hysteresis_mv"],
            stirring_mv=real["stirring_potential_mv"],
            wander=wander,
            lamps=lamps_of(real),
        )

    def _settle(self, residue_ml: float) -> None:
        """Start as a bench is left: probes wet in tank water."""
        wet_ml = self.bench["sample"]["keep_wet_ml"] + residue_ml
        self.vessel = self.tank.water(wet_ml * SEAWATER_G_ML)
        self.intake = Intake(0.0, self.vessel.share(self.vessel.mass_g))
        self.temperature_c = 0.5 * (self.room_c + self.tank.temperature_c)
        self._aim()
        self.electrode.signal_mv = self.electrode.target_mv

    # Time -----------------------------------------------------------------------

    def follow(self, to_s: float) -> set[str]:
        """Let time pass, and return the switches that are active then.

        Where everything stands, they alone are looked at, and whoever asks for more advances it. What goes on at rest
        (creep, cooling, CO2 that leaves, the electrode) is solved for steps of any length.
        """
        if to_s - self._integrated_s < STANDS_S and to_s < self._season_s and self._stands():
            self.at_s = to_s
            return self._watch_trips()
        self.advance(to_s)
        return self.active_switches()

    def catch_up(self) -> None:
        """Integrate what a world that stands has left for later: whoever changes it from outside does this first."""
        self.advance(self.at_s)

    def _stands(self) -> bool:
        """Return whether nothing moves in the vessel, and nothing was about to when last looked at."""
        return not (
            self._turning
            or self._drawing
            or self.stirrer
            or self.unmixed_acid
            or self.head_leaks_ml_s
            or self.beaker is not None
            or any(head.moving() for head in self._heads)
        )

    def advance(self, to_s: float) -> None:
        """Integrate to `to_s`."""
        elapsed_s = to_s - self._integrated_s
        if elapsed_s <= 0.0:
            return
        from_s, self._integrated_s, self.at_s = self._integrated_s, to_s, to_s
        if to_s >= self._season_s:
            self._turn_of_season(to_s)
        moved = False
        for head in self._heads:
            if not head.moving():
                head.at_s = to_s
                continue
            volume = head.advance(to_s) * self._passed_on(head.name)
            if volume != 0.0 and self.powered:
                moved = True
                self._move(head.name, volume, from_s)
                if self.stops_next_run and head.name == "sample":
                    self.stops_next_run, self.stop_from_s = False, to_s + FINGER_S
                # A step of time may be longer than what was left of the permit: nothing moved after that.
                until_s = to_s if head.permit_stuck else min(to_s, head.permitted_until_s)
                if head.name == "waste":
                    if from_s - self._waste_moved_s > PAUSE_S:
                        self._waste_began_s = from_s
                    self._waste_moved_s = to_s
                if self.trip_since_s:
                    self._count_after_trip(head.name, until_s)
                if self.dead_since_s is not None:
                    moving_s = until_s - self.dead_since_s
                    self.spilled.max_moving_s_after_death = max(self.spilled.max_moving_s_after_death, moving_s)
        self._watch_trips()
        if self.head_leaks_ml_s:
            self._leak(elapsed_s)
            moved = True
        if moved:
            self._dirty = self._turning = True
            self._overflow()
            if self.titrant_end is not None and (self.volume_ml() < self.tip_ml) is (
                self.titrant_end.dry_from_s is None
            ):
                self._wet_titrant_end()
            self.lowest_ml = min(self.lowest_ml, self.volume_ml())
        else:
            if self._turning:
                self._turning = False
                self.balance.jolt()
            if self._drawing:
                self._drawing = False
                self._rest_sample_line()
        if to_s - self._slow_s >= AIM_EVERY_S:
            self._go_on_slowly(to_s)
        if self.unmixed_acid:
            tau = self._mixing_s / max(self.stirrer, self._mixing_s / MIXING_S_STILL)
            self.unmixed_acid *= exp(-elapsed_s / tau)
            if self.unmixed_acid < 1e-3:
                self.unmixed_acid = 0.0
            self._dirty = True
        if self._dirty and to_s - self._aimed_s >= AIM_EVERY_S:
            self._aim()
        self.electrode.advance(to_s)

    def _go_on_slowly(self, to_s: float) -> None:
        """Let happen what takes minutes: the load cell's creep, acid at the tip, CO2 at the surface, cooling."""
        elapsed_s, self._slow_s = to_s - self._slow_s, to_s
        self.balance.advance(to_s, self.vessel.mass_g)
        self._creep()
        self._exchange(elapsed_s, self.stirrer)
        if abs(self.temperature_c - self.room_c) > 0.005:
            self.temperature_c = self.room_c + (self.temperature_c - self.room_c) * exp(-elapsed_s / COOLING_S)

    def _passed_on(self, pump: str) -> float:
        """Return which way a head turns for what is asked of it, or nothing where its motor has no current."""
        if not self.motors_on or self.hoses_off or (self.second_float_up and pump != "waste"):
            return 0.0
        given = self.given(pump)
        return -given if pump in self.reversed_pumps else given

    def given(self, pump: str) -> float:
        """Return what a pump gives against its head, over what it gave when its gain was found."""
        if self.back_pressure is None:
            return 1.0
        return self.back_pressure.share(pump, head_mm(self, pump), self.bottle_ml)

    def _turn_of_season(self, to_s: float) -> None:
        """Let the room, the pumps and the titrant be as they are now."""
        elapsed_s, self._stood_s = to_s - self._stood_s, to_s
        self._season_s = to_s + SEASON_EVERY_S
        self.room_c = self.seasons.room_c(to_s)
        for name, head in self.pumps.items():
            head.ml_per_unit = self.real[f"{name}_ml_per_unit"] * self.seasons.gain(name, to_s)
        self.idle_line.stand(elapsed_s)
        lost_ml = min(self.real["evaporation_g_per_day"] * elapsed_s / DAY_S, 0.5 * self.bottle_ml)
        if lost_ml > 0.0:
            self.titrant_umol_ml *= self.bottle_ml / (self.bottle_ml - lost_ml)
            self.bottle_ml -= lost_ml

    def _watch_trips(self) -> set[str]:
        """Note since when the physical condition of each trip lasts, and return the switches that are active."""
        since, active = self.trip_since_s, self.active_switches()
        if not (active or since):
            return active
        for role in ("overfill", "leak", "stop"):
            if role in active:
                since.setdefault(role, self.at_s)
            elif role in since:
                del since[role]
        return active

    def _count_after_trip(self, pump: str, until_s: float) -> None:
        for role, since_s in self.trip_since_s.items():
            if pump == "waste" and (role == "overfill" or (role == "leak" and since_s <= self._waste_began_s)):
                continue  # an overfull vessel may be emptied, and one over a tray that was wet before
            moving_s = until_s - since_s
            self.spilled.max_moving_s_after_trip = max(self.spilled.max_moving_s_after_trip, moving_s)

    def volume_ml(self) -> float:
        return self.vessel.mass_g / SEAWATER_G_ML

    def surface_mm(self) -> float:
        """Return how high the vessel's liquid stands above its floor."""
        return 10.0 * self.volume_ml() / self.area_cm2

    def between_ml(self, low_mm: float, high_mm: float) -> float:
        """Return what the vessel holds between two heights; nothing where they are the other way."""
        return max(0.0, high_mm - low_mm) * self.area_cm2 / 10.0

    def closed(self, pump: str) -> bool:
        """Return whether a normally closed valve, where the line has one, is shut: it opens with the pump's permit."""
        if self.bench["pumps"][pump].get("valve") is None:
            return False
        head = self.pumps[pump]
        return not head.permit_stuck and self.at_s > head.permitted_until_s

    # Liquids --------------------------------------------------------------------

    def _move(self, pump: str, volume_ml: float, from_s: float) -> None:
        """Move liquid, in the time since then; what begins after a pause is a start."""
        if pump in self.collecting and volume_ml > 0.0:
            self.collecting[pump] += self._collected(pump, volume_ml)
            return
        if pump == "waste":
            if volume_ml < 0.0:
                self._push_up(-volume_ml)
            self._drain(volume_ml)
            return
        if pump in self.tubes_off and volume_ml > 0.0:
            self.spilled.beside_ml += self._collected(pump, volume_ml)
            return
        if volume_ml > 0.0:
            if from_s - self._added_s > PAUSE_S:
                self.on_add()
            self._added_s = self.at_s
        if pump == "sample":
            self._draw(volume_ml)
        elif volume_ml > 0.0:
            self._dose(volume_ml)
        else:
            self.bottle_ml -= volume_ml

    def _collected(self, pump: str, volume_ml: float) -> float:
        """Return what of a pump's volume comes out as liquid over the cylinder."""
        if pump == "titrant":
            air = min(volume_ml, self.titrant_line_air_ml)
            self.titrant_line_air_ml -= air
            given = min(volume_ml - air, self.bottle_ml)
            self.bottle_ml -= given
            self.tip_missing_umol = 0.0
            self.tip_idle_since_s = self.at_s
            return given
        air = min(volume_ml, self.line_air_ml)
        self.line_air_ml -= air
        liquid_ml = (volume_ml - air) * (1.0 - self.sample_line_air)
        (self.source or self.tank).draw(liquid_ml * SEAWATER_G_ML)
        self.line_stale_ml = 0.0
        return liquid_ml

    def _draw(self, volume_ml: float) -> None:
        if volume_ml < 0.0:
            self._draw_back(-volume_ml)
            return
        source = self.source or self.tank
        if self.at_s - source.at_s >= AIM_EVERY_S:  # a tank changes in hours
            source.advance(self.at_s)
        if self.sample_source_low:
            self.line_air_ml = self.sample_line_ml
            return
        if self.sample_end is not None and not self._drawing:
            self._wet_sample_end(source)
        air = min(volume_ml, self.line_air_ml)
        self.line_air_ml -= air
        mass_g = (volume_ml - air) * (1.0 - self.sample_line_air) * source.density_g_ml()
        if mass_g <= 0.0:
            return
        self._drawing = True
        stale_g = min(mass_g, self.line_stale_ml * SEAWATER_G_ML)
        self.line_stale_ml -= stale_g / SEAWATER_G_ML
        fresh = source.draw(mass_g)
        if stale_g > 0.0:
            fresh.take(stale_g)
            old = self.line_stale.share(stale_g)
            fresh.pour_in(old)
        if self.intake is None:
            self.intake = Intake(self.at_s, Liquid())
        self.intake.water.pour_in(fresh.share(fresh.mass_g))  # the tank's water, before the line changes it
        if self.biofilm is not None and stale_g > 0.0:
            fresh.pour_in(self.biofilm.given_to(stale_g, self.at_s - self._line_rests_from_s))
        if self.sample_end is not None:
            fresh.pour_in(self.sample_end.washed(volume_ml - air, self.at_s))
        if self.real["filling_co2_share"] > 0.0:
            self._fall(fresh, source.temperature_c)
        before_g = self.vessel.mass_g
        self.vessel.pour_in(fresh)
        self.temperature_c += (source.temperature_c - self.temperature_c) * mass_g / (before_g + mass_g)

    def _wet_sample_end(self, source: Tank) -> None:
        """Let what has dried off the sample line's end be a crust, and a gap that is filled first."""
        end = self.sample_end
        gap_ml = min(end.dried_ml(self.at_s), self.line_stale_ml) if end is not None else 0.0
        if end is None or gap_ml <= 0.0 or self.line_air_ml > 0.0 or self.volume_ml() >= self.sample_end_ml:
            return
        dried = self.line_stale.share(gap_ml * SEAWATER_G_ML)
        source.draw(dried.mass_g)  # follows it into the line
        end.keep(dried)
        self.line_stale_ml -= gap_ml
        self.line_air_ml += gap_ml

    def _wet_titrant_end(self) -> None:
        """Let the vessel take the acid and salt of what has dried off the titrant line's end; a gap is left there."""
        end = self.titrant_end
        dried_ml = 0.0 if end is None else end.dried_ml(self.at_s, covered=self.volume_ml() >= self.tip_ml)
        gap_ml = min(dried_ml, self.bottle_ml)
        if gap_ml <= 0.0 or self.titrant_line_air_ml > 0.0:
            return
        acid = (gap_ml + self.idle_line.give(gap_ml)) * self.titrant_umol_ml * self.titrant_factor * 1000.0
        self.vessel.pour_in(Liquid(ionic=gap_ml * self.titrant_ionic, alkalinity=-acid))
        self.bottle_ml -= gap_ml
        self.titrant_line_air_ml += gap_ml

    def _fall(self, water: Liquid, temperature_c: float) -> None:
        """Let falling water exchange CO2 with the air."""
        m = self._medium_of(water, temperature_c)
        share = carbonic_share(exp(-LN10 * self._ph_of(water, water.alkalinity, temperature_c, m)), m)
        dissolved = share * water.carbon / water.mass_g
        balanced = m.k0 * self._air_pco2_uatm
        water.carbon += self.real["filling_co2_share"] * (balanced - dissolved) * water.mass_g

    def into_bottle(self, volume_ml: float) -> None:
        """Move the vessel's liquid through the titrant line into the bottle, where it takes up acid."""
        if volume_ml <= 0.0:
            return
        liquid = self.vessel.take(volume_ml * SEAWATER_G_ML)
        acid_umol = self.titrant_umol_ml * self.bottle_ml - liquid.alkalinity / 1000.0
        self.bottle_ml += volume_ml
        self.titrant_umol_ml = acid_umol / self.bottle_ml
        self._dirty = True

    def _draw_back(self, volume_ml: float) -> None:
        """Move the sample line's content towards the tank; what follows is air, or the vessel where the end dips in.

        Acid that is drawn into the line counts as gone to the tank at once: nothing holds it back there.
        """
        if self.volume_ml() < self.sample_end_ml:
            source = self.source or self.tank
            source.put_back(source.water(min(volume_ml, self.sample_line_ml) * SEAWATER_G_ML))
            self.line_air_ml = min(self.sample_line_ml, self.line_air_ml + volume_ml)
            return
        share = min(1.0, self.titrant_since_empty_ml / self.volume_ml())
        self.spilled.titrant_to_tank_ml += share * volume_ml
        self.titrant_since_empty_ml -= share * volume_ml
        self.tank.put_back(self.vessel.take(volume_ml * SEAWATER_G_ML))

    def _rest_sample_line(self) -> None:
        """Note what now stands in the sample line, for the next time."""
        self.line_stale = (self.source or self.tank).water(1.0)
        self.line_stale_ml = self.sample_line_ml - self.line_air_ml
        self._line_rests_from_s = self.at_s

    def _dose(self, volume_ml: float) -> None:
        if self.titrant_end is not None:
            self._wet_titrant_end()
        if self.titrant_line_air_ml > 0.0:
            air = min(volume_ml, self.titrant_line_air_ml)
            self.titrant_line_air_ml -= air
            volume_ml -= air
        given = min(volume_ml, self.bottle_ml)
        self.bottle_ml -= given
        if given <= 0.0:
            return
        acid = (given + self.idle_line.give(given)) * self.titrant_umol_ml * self.titrant_factor
        missing = min(self.tip_missing_umol, acid)
        self.tip_missing_umol -= missing
        self.tip_idle_since_s = self.at_s
        acid = (acid - missing) * 1000.0  # g x umol/kg
        mass_g = given * (SEAWATER_G_ML if self.titrant_ionic else 0.999)
        self.vessel.pour_in(Liquid(mass_g, 0.0, mass_g * self.titrant_ionic, -acid, 0.0))
        self.unmixed_acid += acid
        self.titrant_since_empty_ml += given
        day = int(self.at_s // 86400.0)
        self.spilled.titrant_by_day_ml[day] = self.spilled.titrant_by_day_ml.get(day, 0.0) + given
        self.spilled.max_titrant_in_one_run_ml = max(
            self.spilled.max_titrant_in_one_run_ml, self.titrant_since_empty_ml
        )

    def _drain(self, volume_ml: float) -> None:
        if volume_ml <= 0.0:
            return
        reach_ml = self._tip_left_ml() if self.at_tip else self.residue_ml + self.residue_extra_ml
        out_ml = min(volume_ml * self.waste_passing, max(0.0, self.volume_ml() - reach_ml))
        if out_ml <= 0.0:
            return
        self.vessel.take(out_ml * SEAWATER_G_ML)
        self.unmixed_acid *= 0.9
        if "waste" in self.tubes_off:
            self.spilled.beside_ml += out_ml
        else:
            self.waste_ml += out_ml
        if self.waste_ml > self.waste_capacity_ml:
            self.spilled.spilled_ml += self.waste_ml - self.waste_capacity_ml
            self.waste_ml = self.waste_capacity_ml
        if not self.at_tip and self.volume_ml() < reach_ml + 0.05 and self.intake is not None:
            self.intakes.append(self.intake)
            self.intake = self._meniscus_ml = None
            self.titrant_since_empty_ml = 0.0
            self.unmixed_acid = 0.0
            self.residue_ml = max(0.2, self.real["residue_ml"] + self.random.normal(0.0, self.truths.errors.residue_ml))

    def _push_up(self, volume_ml: float) -> None:
        """Move what stands in the waste container into the vessel: a waste pump that turns backwards."""
        if "waste" in self.tubes_off:
            return
        moved_ml = min(volume_ml, self.waste_ml)
        self.waste_ml -= moved_ml
        if moved_ml > 0.0:
            self.vessel.pour_in(self.tank.water(moved_ml * SEAWATER_G_ML))

    def _tip_left_ml(self) -> float:
        """Return what a draw-down leaves: the tip's true height, and a meniscus that breaks here or there."""
        if self._meniscus_ml is None:
            self._meniscus_ml = float(self._apart.normal(0.0, self.truths.errors.tip_ml))
        return self.area_cm2 * self.real["draw_down_tip_mm"] / 10.0 + self._meniscus_ml

    def _leak(self, elapsed_s: float) -> None:
        for pump, rate in self.head_leaks_ml_s.items():
            leak(self, pump, rate * elapsed_s, self.at_s - elapsed_s)

    def _overflow(self) -> None:
        volume = self.volume_ml()
        self.spilled.peak_vessel_ml = max(self.spilled.peak_vessel_ml, volume)
        if volume > self.capacity_ml:
            self.vessel.take((volume - self.capacity_ml) * SEAWATER_G_ML)
            self.spilled.spilled_ml += volume - self.capacity_ml

    def _creep(self) -> None:
        """Let acid creep out of the idle tip: 2 A c sqrt(D t / pi) since it was last flushed (Crank, ch. 3)."""
        if self.volume_ml() < self.tip_ml:
            return
        idle_s = self.at_s - self.tip_idle_since_s
        if idle_s <= 0.0:
            return
        out_ml = 2.0 * self.tip_area_cm2 * sqrt(HCL_DIFFUSION_CM2_S * idle_s / pi)
        missing = out_ml * self.titrant_umol_ml * self.titrant_factor
        if missing > self.tip_missing_umol:
            self.vessel.alkalinity -= (missing - self.tip_missing_umol) * 1000.0
            self.tip_missing_umol = missing
            self._dirty = True

    def _exchange(self, elapsed_s: float, stirrer: float) -> None:
        """Let CO2 leave towards the air at the stirred surface."""
        mass = self.vessel.mass_g
        if mass < 5.0:
            return
        rate = CO2_LOSS_PER_S_STILL + self._co2_loss_per_s * stirrer * stirrer
        rate *= 100.0 * SEAWATER_G_ML / mass
        m = self._medium()
        share = carbonic_share(exp(-LN10 * self._ph), m)
        balanced = m.k0 * self._air_pco2_uatm / share  # umol/kg
        carbon = self.vessel.carbon / mass
        self.vessel.carbon = mass * (balanced + (carbon - balanced) * exp(-rate * share * elapsed_s))
        if stirrer > 0.0:
            self._dirty = True

    # Chemistry ------------------------------------------------------------------

    def _medium(self) -> Medium:
        """Return the medium in the vessel; it is asked for at every instant, and seldom another."""
        vessel, last = self.vessel, self._in_vessel
        seen = (vessel.mass_g, vessel.ionic, vessel.natural, vessel.own, self.temperature_c)
        if last is None or last[0] != seen:
            last = self._in_vessel = seen, self._medium_of(vessel, self.temperature_c)
        return last[1]

    def _medium_of(self, liquid: Liquid, temperature_c: float) -> Medium:
        mass = liquid.mass_g
        no_natural_salt = liquid.natural < 0.5 * liquid.ionic
        if self.nature is not None:
            own_share = min(1.0, liquid.own / liquid.natural) if liquid.natural > 0.0 else 0.0
            of_own = (round(liquid.ionic / mass, 1), round(temperature_c, 1), no_natural_salt, round(own_share, 3))
            if of_own not in self._media_of_own:
                self._media_of_own[of_own] = self.nature.medium(
                    of_own[0], of_own[1], sodium_chloride=no_natural_salt, own_share=of_own[3]
                )
            return self._media_of_own[of_own]
        key = (round(liquid.ionic / mass, 1), round(temperature_c, 1), no_natural_salt)
        found = self._media.get(key)
        if found is None:
            found = self._media[key] = medium(key[0], key[1], sodium_chloride=key[2])
        return found

    def ph_free(self, *, mixed: bool = True) -> float:
        """Return free pH of the vessel's liquid: all mixed, or as the electrode's neighbourhood is."""
        alkalinity = self.vessel.alkalinity + (0.0 if mixed else self.unmixed_acid)
        return self._ph_of(self.vessel, alkalinity, self.temperature_c, self._medium())

    def _ph_of(self, liquid: Liquid, alkalinity: float, temperature_c: float, m: Medium) -> float:
        """Return free pH of a liquid with this amount of alkalinity, g x umol/kg."""
        mass = liquid.mass_g
        of_water = (alkalinity / mass * 1e-6, liquid.carbon / mass * 1e-6, liquid.natural / mass)
        if self.nature is None:
            return ph_free(*of_water, m, self._ph)
        bases = self.nature.bases(liquid.ionic / mass, temperature_c)
        return self.nature.ph_free(*of_water, liquid.own / mass, m, bases, self._ph)

    def ph_total(self) -> float:
        """Return pH on the total scale at the vessel's temperature."""
        m, natural = self._medium(), self.vessel.natural / self.vessel.mass_g
        return self.ph_free() - float(np.log10(1.0 + m.sulfate * natural / m.ks))

    def salinity(self) -> float:
        return self.vessel.natural / self.vessel.mass_g

    def _aim(self) -> None:
        self._aimed_s, self._dirty = self.at_s, False
        if self.beaker is not None:
            self.beaker.advance(self.at_s)
            t = self.beaker.temperature_c
            self.electrode.wet = self.beaker.ph_nbs is not None or self.beaker.ph_free is not None
            if self.beaker.ph_nbs is not None:
                self.electrode.aim_buffer(self.beaker.ph_nbs(t), t)
            elif self.beaker.ph_free is not None:
                self.electrode.aim(self.beaker.ph_free(t), t)
            self._dirty = True
            return
        wet = self.volume_ml() >= self.ph_tip_ml
        self.electrode.wet = wet
        if wet:
            self._ph = self.ph_free(mixed=False)
            self.electrode.aim(self._ph, self.temperature_c)

    # Boards ---------------------------------------------------------------------

    def ph_signal_mv(self) -> float:
        """Return what the electrode gives its board at this instant, mV."""
        if isinstance(self.electrode, UnrulyElectrode):
            self.electrode.stirring = self.stirrer
        signal_mv = self.electrode.read()
        if self.ground_loop_mv and (self.stirrer_power > 0.0 or any(head.turns(self.at_s) for head in self._heads)):
            signal_mv += self.ground_loop_mv
        if self.pump_loop_mv and any(head.turns(self.at_s) for head in self._heads):
            signal_mv += self.pump_loop_mv
        if self.probe_loop_mv and not self.conductivity_disconnected:
            signal_mv += self.probe_loop_mv
        return signal_mv

    def conductivity(self) -> float:
        """Return the conductivity that the cell meets, mS/cm at its temperature; near nothing in air."""
        if self.beaker is not None and not self.conductivity_disconnected:
            return self._conductivity_of(self.beaker)
        if self.conductivity_disconnected:
            return 0.0
        wet = self.volume_ml() >= self.cell_ml
        if not wet and not self.cell_film:
            return 0.0
        salinity = self.vessel.ionic / self.vessel.mass_g if wet else self.tank.salinity
        scatter = 1.0 + self.random.normal(0.0, self.truths.errors.conductivity_noise)
        true = conductivity_ms_cm(salinity, self.temperature_c) * (1.0 if wet else self.cell_film)
        return true * self.truths.conductivity * self.conductivity_factor * scatter

    def _conductivity_of(self, beaker: Beaker) -> float:
        if beaker.conductivity_ms_cm is None:
            return 0.0
        beaker.advance(self.at_s)
        true = beaker.conductivity_ms_cm(beaker.temperature_c) * beaker.bubble
        scatter = 1.0 + self.random.normal(0.0, self.truths.errors.conductivity_noise + beaker.bubble_rattles)
        return true * self.truths.conductivity * self.conductivity_factor * scatter

    def temperature_reading(self) -> float:
        if self.temperature_open:
            return -127.0
        if self.beaker is not None:
            self.beaker.advance(self.at_s)
            return self.beaker.probe_c + self.truths.temperature_offset_k + self.temperature_shift_k
        return self.temperature_c + self.truths.temperature_offset_k + self.temperature_shift_k

    # Switches: True is active ---------------------------------------------------

    def at_input(self, role: str) -> bool:
        """Return what the wire of an input leads to, plugs swapped or loose ones included."""
        if self.at_s < self.rattles_until_s.get(role, -1.0) and int(self.at_s / RATTLE_S) % 2:
            return True
        return self.switch(self.plugs_swapped.get(role, role))

    def switch(self, role: str) -> bool:
        return role in self.active_switches()

    def active_switches(self) -> set[str]:
        """Return the switches that are active; asked at each move of time."""
        active = set(self.lifted)
        if not self.overfill_stuck_dry or self.overfill_broken or self.overfill_stuck_wet:
            up = self.overfill_broken or self.overfill_stuck_wet or self.at_s < self.splash_until_s
            if up or self.volume_ml() >= self.overfill_ml:
                active.add("overfill")
        if self.leak_wet or self.spilled.spilled_ml > 1.0:
            active.add("leak")
        if self.waste_ml > 0.95 * self.waste_capacity_ml:
            active.add("waste_full")
        if self.stop_pressed or self.at_s >= self.stop_from_s:
            active.add("stop")
        return active
