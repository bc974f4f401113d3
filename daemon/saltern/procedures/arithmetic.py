"""What follows from a bench file: heights, volumes, times, and what is amiss with them."""

from math import pi, sqrt

from saltern.bench.drivers import rated
from saltern.bench.hydraulics import SIPHONED_SHARE, siphoned_into_the_bottle_ml
from saltern.chemistry.units import dkh_to_umol_kg
from saltern.config.tables import BenchConfig
from saltern.procedures.rinse import plan_for

TYPICAL_DKH = 7.0
USUAL_DOSE_SHARE = 0.1  # a titration gives its acid in about ten doses
LONGEST_LINE_MM = 1000.0  # about 0.9 m (common practice)
ACID_BEYOND_END_POINT = 1.21  # the plan ends at free pH 3.4
STARTING_AND_ENDING_S = 0.5
"""A pump is permitted so much longer than its amount takes at full rate: it starts and ends gently (assumed)."""

HCL_DIFFUSION_CM2_S = 3.3e-5  # dilute HCl in water, 25 degC (Robinson & Stokes; from memory)


def titrant_per_run_ml(config: BenchConfig, dkh: float = TYPICAL_DKH) -> float:
    """Return what one determination takes at this alkalinity, the discarded tip included."""
    acid_mmol = dkh_to_umol_kg(dkh, 35.0) * config.sample.volume_ml * 1.0233e-6 * ACID_BEYOND_END_POINT
    return acid_mmol / config.titrant.concentration_mol_per_l + config.titrant.tip_discard_ml


def sample_per_run_ml(config: BenchConfig) -> float:
    """Return the tank water that one determination takes."""
    sample = config.sample
    return plan_for(config).total_ml + sample.volume_ml + sample.keep_wet_ml


def tip_loss_umol_kg(config: BenchConfig, idle_h: float) -> float:
    """Return what the idle tip's missing acid would amount to in the sample: 2 A c sqrt(D t / pi) (Crank, ch. 3)."""
    area_cm2 = pi * (config.pumps.titrant.line.bore_mm / 20.0) ** 2
    lost_ml = 2.0 * area_cm2 * sqrt(HCL_DIFFUSION_CM2_S * idle_h * 3600.0 / pi)
    return lost_ml * config.titrant.concentration_mol_per_l * 1e6 / (config.sample.volume_ml * 1.0233)


def most_before_titrating_ml(config: BenchConfig) -> float:
    """Return the most that the ledger will say of the vessel after a fill, mL.

    What lies below the cell cannot be proved gone; the pump could have turned as long as its permit was energised.
    """
    pump, sample = config.pumps.sample, config.sample
    over_ml = 0.0 if sample.draw_down is None else sample.draw_down.over_ml
    turns = rated(config)["sample"]
    energised_s = (sample.volume_ml + over_ml + sample.air_break_ml) / turns.ml_s + STARTING_AND_ENDING_S
    most_ml = (energised_s + turns.lapse_s) * turns.ml_s * (1.0 + 0.03 * pump.gain_u_percent)
    most_ml += sample.air_break_ml * (1.0 + 0.03 * pump.gain_u_percent)  # what a dead direction wire would add
    return config.vessel.volume_at_ml(config.vessel.conductivity_tip_mm) + most_ml


def facts(config: BenchConfig) -> list[tuple[str, float, str]]:
    """Return what follows from the bench file: name, value, unit."""
    vessel, pumps, sample = config.vessel, config.pumps, config.sample
    runs = config.schedule.starts_per_day
    per_mm = vessel.area_cm2 / 10.0
    after_ml = sample.volume_ml + vessel.residue_ml + titrant_per_run_ml(config)
    turns = rated(config)
    waits_mm = (sample.keep_wet_ml + vessel.residue_ml) / per_mm
    titrant_unit_ml = pumps.titrant.ml_per_unit
    ceiling_ml = sample.volume_ml + vessel.residue_ml + config.limits.titrant_per_run_ml
    return [
        ("vessel, to the spout", vessel.capacity_ml, "mL"),
        ("liquid height with the sample", (sample.volume_ml + vessel.residue_ml) / per_mm, "mm"),
        ("liquid height kept wet", waits_mm, "mm"),
        (f"liquid height after titrating {TYPICAL_DKH:g} dKH", after_ml / per_mm, "mm"),
        ("free below the float then", vessel.volume_at_ml(vessel.overfill_switch_mm) - after_ml, "mL"),
        ("filling takes", sample.volume_ml / turns["sample"].ml_s, "s"),
        ("draining the sample takes", sample.volume_ml / turns["waste"].ml_s, "s"),
        ("sample line holds", pumps.sample.line.volume_ml, "mL"),
        ("titrant line holds", pumps.titrant.line.volume_ml, "mL"),
        ("smallest titrant dose", 1000.0 * pumps.titrant.ml_per_unit, "uL"),
        ("steps, or seconds, of a usual dose", USUAL_DOSE_SHARE * titrant_per_run_ml(config) / titrant_unit_ml, ""),
        ("titrant tip below the surface while it doses", after_ml / per_mm - vessel.titrant_tip_mm, "mm"),
        (
            "pH tip below the surface while it waits",
            (sample.keep_wet_ml + vessel.residue_ml) / per_mm - vessel.ph_tip_mm,
            "mm",
        ),
        ("free to the spout at the titrant's ceiling", vessel.capacity_ml - ceiling_ml, "mL"),
        ("rinses", float(plan_for(config).times), ""),
        ("one rinse", plan_for(config).volume_ml, "mL"),
        (f"titrant a determination at {TYPICAL_DKH:g} dKH", titrant_per_run_ml(config), "mL"),
        ("a bottle lasts", config.titrant.bottle_ml / (runs * titrant_per_run_ml(config)), "days"),
        ("tank water taken", runs * sample_per_run_ml(config) / 1000.0, "L/day"),
        ("salt that leaves with it, at salinity 35", runs * sample_per_run_ml(config) * 0.0358, "g/day"),
        ("waste container lasts", config.waste.container_ml / (runs * sample_per_run_ml(config)), "days"),
        (
            "tip loss between runs, if not discarded",
            tip_loss_umol_kg(config, 24.0 / config.schedule.starts_per_day),
            "umol/kg",
        ),
        ("a worn titrant head may siphon back between runs", siphoned_into_the_bottle_ml(config), "mL"),
        ("sample pump may pass in a permit's lapse", turns["sample"].passes_in_lapse_ml, "mL"),
    ]


def warnings(config: BenchConfig) -> list[str]:
    """Return what should be changed, each with what to do."""
    found = []
    lines = config.pumps
    back_ml = siphoned_into_the_bottle_ml(config)
    if back_ml > SIPHONED_SHARE * config.titrant.bottle_ml:
        found.append(
            "the titrant tip dips into the liquid in which the probes wait, and the bottle is lower: through a "
            f"worn head up to {back_ml:.0f} mL of it would siphon into the acid between two runs. Set "
            "sample.keep_wet_ml so that the tip hangs in air, or fit a normally closed valve in the line: "
            "[pumps.titrant.valve]"
        )
    if lines.waste.line.outlet_mm < lines.waste.line.inlet_mm:
        found.append("the waste line ends below the vessel: it can siphon; end it higher, in a vented container")
    for role in ("sample", "waste", "titrant"):
        length_mm = getattr(lines, role).line.length_mm
        if length_mm > LONGEST_LINE_MM:
            found.append(
                f"the {role} line is {length_mm:.0f} mm long: about 900 mm at most keeps stale water and air small"
            )
    if config.vessel.waste_tip_mm > 2.0:
        found.append(
            "the waste tip is more than 2 mm above the floor: put it lower, or the residue dilutes each sample"
        )
    if config.vessel.titrant_tip_mm >= _height_mm(config, config.sample.volume_ml):
        found.append("the titrant tip does not dip into the sample: put it lower or fill more")
    dose_ml = USUAL_DOSE_SHARE * titrant_per_run_ml(config)
    if lines.titrant.ml_per_unit > 0.02 * dose_ml:
        found.append("the titrant pump's unit is more than 2 % of a usual dose: use a finer head or microsteps")
    if lines.titrant.line.bore_mm > 0.8:
        found.append("the titrant line is wider than 0.8 mm at its tip: acid creeps out faster")
    if titrant_per_run_ml(config, 20.0) > config.limits.titrant_per_run_ml:
        found.append("limits.titrant_per_run_ml does not reach 20 dKH, where a crashed dosing could take the tank")
    a_day_ml = config.schedule.starts_per_day * titrant_per_run_ml(config)
    if a_day_ml > config.limits.titrant_per_day_ml:
        found.append(
            f"the schedule takes {a_day_ml:.0f} mL of acid a day at {TYPICAL_DKH:g} dKH, and limits.titrant_per_day_ml "
            f"is {config.limits.titrant_per_day_ml:.0f} mL: after a day determinations are void. Measure less often. "
            "The limit bounds what a fault may give: raise it no further than the schedule needs"
        )
    titrant = lines.titrant
    acid_ml = config.limits.titrant_per_run_ml + rated(config)["titrant"].passes_in_lapse_ml
    most_ml = most_before_titrating_ml(config) + acid_ml * (1.0 + 0.03 * titrant.gain_u_percent)
    float_ml = config.vessel.volume_at_ml(config.vessel.overfill_switch_mm)
    if most_ml > float_ml:
        found.append(
            f"after a fill the vessel may hold so much that a titration does not fit below the float: {most_ml:.1f} of "
            f"{float_ml:.1f} mL, and it would be refused. Lower the conductivity tip, sample.volume_ml or "
            "limits.titrant_per_run_ml, raise the float, or calibrate the sample pump: a smaller gain_u_percent"
        )
    if config.titre.u_percent is None:
        found.append("never standardised: results will be provisional. Measure a reference of known alkalinity")
    return found


def _height_mm(config: BenchConfig, volume_ml: float) -> float:
    return (volume_ml + config.vessel.residue_ml) * 10.0 / config.vessel.area_cm2
