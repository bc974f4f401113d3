"""What water could do by itself: line ends and heights that would let it run, refused before anything is opened.

Gravity needs no permit. A line whose end dips can siphon, one whose source stands higher runs through a worn head, and
what a pump may still pass while its permit lapses must fit above the float.
"""

from saltern.config.tables import BenchConfig, Pump
from saltern.errors import ConfigError


def refusals(config: BenchConfig) -> list[ConfigError]:
    """Return everything about lines and volumes that is not safe, each with what to change."""
    vessel, pumps = config.vessel, config.pumps
    found: list[tuple[str, str, str]] = []
    sample, titrant, waste = pumps.sample.line, pumps.titrant.line, pumps.waste.line
    if sample.outlet_mm <= vessel.spout_mm:
        found.append(
            (
                "the sample line ends below the spout: titrated water could be drawn or run back into the tank",
                "pumps.sample.line.outlet_mm",
                f"End it above the spout ({vessel.spout_mm:g} mm), with an air gap",
            )
        )
    if sample.inlet_mm > vessel.spout_mm and config.sample.air_break_ml <= 0.0:
        found.append(
            (
                "the tank stands above the vessel and nothing breaks its line: it can run by gravity",
                "pumps.sample.line.inlet_mm",
                "Set sample.air_break_ml, or put the vessel higher than the tank's surface",
            )
        )
    if titrant.inlet_mm > vessel.spout_mm:
        found.append(
            (
                "the titrant stands above the vessel: through a worn head all of it would run in",
                "pumps.titrant.line.inlet_mm",
                "Put the bottle lower than the vessel",
            )
        )
    if waste.outlet_mm < waste.inlet_mm - 300.0 and not config.waste.siphon_broken:
        found.append(
            (
                "the waste line falls far below the vessel: it can siphon, and suck the probes dry",
                "pumps.waste.line.outlet_mm",
                "End it higher, or break the siphon with a hole above the spout and set waste.siphon_broken",
            )
        )
    above_float_ml = vessel.capacity_ml - vessel.volume_at_ml(vessel.overfill_switch_mm)
    for role, pump in (("sample", pumps.sample), ("titrant", pumps.titrant)):
        may_pass_ml = passes_in_lapse_ml(pump)
        if may_pass_ml > above_float_ml:
            found.append(
                (
                    f"the {role} pump may pass {may_pass_ml:.1f} mL while its permit lapses, and between float and "
                    f"spout there is room for {above_float_ml:.1f} mL",
                    f"pumps.{role}",
                    "Lower the float, slow the pump, or shorten the permit's lapse_s",
                )
            )
    return [ConfigError(what, where=f"{config.name}, {where}", remedy=remedy) for what, where, remedy in found]


def passes_in_lapse_ml(pump: Pump) -> float:
    """Return what a pump may move after its permit was last kicked, mL; by the options of the drivers in use."""
    rate = float(pump.drive.options().get("steps_per_s", 1.0))
    lapse_s = float(pump.permit.options().get("lapse_s", 0.5))
    return pump.ml_per_unit * rate * lapse_s
