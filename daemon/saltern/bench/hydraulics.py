"""What water could do by itself: line ends and heights that would let it run, refused before anything is opened.

Gravity needs no permit. A line whose end dips can siphon, one whose source stands higher runs through a worn head, and
what a pump may still pass while its permit lapses must fit above the float. A slug of air in a line stops nothing:
water pushes it on. What does stop water is a normally closed valve, or a break open to the air above its source.
"""

from collections.abc import Callable
from dataclasses import dataclass

from saltern.bench.drivers import rated
from saltern.config.tables import BenchConfig
from saltern.errors import ConfigError

SIPHONED_SHARE = 0.01
"""Of a bottle of titrant: so much sea water in it is more than a titre factor drifts by in months (assumed)."""

ACCEPTED_BEFORE = ". The version before accepted this: saltern check BENCH.toml --explain-upgrade"


@dataclass(frozen=True)
class Rule:
    """One way in which liquid could run by itself.

    `where` is the place in the bench file, `remedy` what to change there. `accepted_before`: why benches that the
    version before accepted may be refused by it; empty for a rule as old as Saltern.
    """

    where: str
    broken: Callable[[BenchConfig], bool]
    says: Callable[[BenchConfig], str]
    remedy: Callable[[BenchConfig], str]
    accepted_before: str = ""


def sample_end_may_dip(config: BenchConfig) -> bool:
    return config.pumps.sample.line.outlet_mm <= config.vessel.spout_mm


def tank_runs_in(config: BenchConfig) -> bool:
    """Return whether the tank stands above the spout, and nothing in its line stops what gravity moves."""
    sample, line = config.pumps.sample, config.pumps.sample.line
    vented = line.vented_break_mm is not None and line.vented_break_mm > line.inlet_mm
    return line.inlet_mm > config.vessel.spout_mm and sample.valve is None and not vented


def titrant_stands_above_the_spout(config: BenchConfig) -> bool:
    return config.pumps.titrant.line.inlet_mm > config.vessel.spout_mm


def titrant_runs_in(config: BenchConfig) -> bool:
    """Return whether acid would run out of the tip by itself, until the vessel stands as high as the bottle."""
    titrant = config.pumps.titrant
    above = titrant.line.inlet_mm > titrant.line.outlet_mm
    return above and titrant.valve is None and not titrant_stands_above_the_spout(config)


def waste_siphons(config: BenchConfig) -> bool:
    waste = config.pumps.waste.line
    return waste.outlet_mm < waste.inlet_mm - 300.0 and not config.waste.siphon_broken


RULES: tuple[Rule, ...] = (
    Rule(
        "pumps.sample.line.outlet_mm",
        sample_end_may_dip,
        lambda config: "the sample line ends below the spout: titrated water could be drawn or run back into the tank",
        lambda config: f"End it above the spout ({config.vessel.spout_mm:g} mm), with an air gap",
    ),
    Rule(
        "pumps.sample.line.inlet_mm",
        tank_runs_in,
        lambda config: (
            f"the tank's surface ({config.pumps.sample.line.inlet_mm:g} mm) lies above the vessel's spout "
            f"({config.vessel.spout_mm:g} mm): by gravity the tank would run through a worn pump head, over the spout "
            "and onto the floor; air that is drawn into the line does not stop it"
        ),
        lambda config: (
            "Put the vessel higher than the tank's surface. Or fit a normally closed valve in the line, with a permit "
            "of its own: [pumps.sample.valve]. Or lead the line, between pump and vessel, over a break that is open to "
            "the air above the tank's surface, and give its height: [pumps.sample.line] vented_break_mm"
        ),
        "a slug of air in the line (sample.air_break_ml) was taken for a break",
    ),
    Rule(
        "pumps.titrant.line.inlet_mm",
        titrant_stands_above_the_spout,
        lambda config: "the titrant bottle is above the vessel: by gravity all of it would run in through a worn head",
        lambda config: "Put the bottle lower than the vessel",
    ),
    Rule(
        "pumps.titrant.line.inlet_mm",
        titrant_runs_in,
        lambda config: (
            f"the titrant bottle is above the tip ({config.pumps.titrant.line.inlet_mm:g} mm against "
            f"{config.pumps.titrant.line.outlet_mm:g} mm): by gravity acid would run into the vessel "
            "through a worn head"
        ),
        lambda config: (
            "Put the bottle lower: its surface below the tip. Or fit a normally closed valve in the line, with a "
            "permit of its own: [pumps.titrant.valve]"
        ),
        "a bottle between tip and spout was warned of, and not refused",
    ),
    Rule(
        "pumps.waste.line.outlet_mm",
        waste_siphons,
        lambda config: "the waste line falls far below the vessel: it can siphon, and suck the probes dry",
        lambda config: "End it higher, or break the siphon with a hole above the spout and set waste.siphon_broken",
    ),
)


def refusals(config: BenchConfig) -> list[ConfigError]:
    """Return everything about lines and volumes that is not safe, each with what to change."""
    found = [
        ConfigError(
            rule.says(config),
            where=f"{config.name}, {rule.where}",
            remedy=rule.remedy(config) + (ACCEPTED_BEFORE if rule.accepted_before else ""),
        )
        for rule in RULES
        if rule.broken(config)
    ]
    return found + _too_fast_to_stop(config)


def _too_fast_to_stop(config: BenchConfig) -> list[ConfigError]:
    """Return the pumps that pass more while their permits lapse than fits between float and spout."""
    above_float_ml = config.vessel.capacity_ml - config.vessel.volume_at_ml(config.vessel.overfill_switch_mm)
    return [
        ConfigError(
            f"the {role} pump may pass {stated.passes_in_lapse_ml:.1f} mL while its permit lapses, and between float "
            f"and spout there is room for {above_float_ml:.1f} mL",
            where=f"{config.name}, pumps.{role}",
            remedy="Lower the float, slow the pump, or fit a permit that lapses sooner",
        )
        for role, stated in rated(config).items()
        if role != "waste" and stated.passes_in_lapse_ml > above_float_ml
    ]


def changed_since(config: BenchConfig) -> list[tuple[str, str, str, str]]:
    """Return what of this bench the version before accepted and this one refuses.

    Returns
    -------
    list of tuple
        The place in the bench file, why it was accepted, what is wrong with it, and the ways out.
    """
    return [
        (rule.where, rule.accepted_before, rule.says(config), rule.remedy(config))
        for rule in RULES
        if rule.accepted_before and rule.broken(config)
    ]


def siphoned_into_the_bottle_ml(config: BenchConfig) -> float:
    """Return how much sea water a worn titrant head lets run back into the bottle between two runs, mL.

    The tip dips into what keeps the probes wet, and the bottle stands lower: what stands above the tip goes.
    """
    titrant, vessel = config.pumps.titrant, config.vessel
    if titrant.valve is not None or titrant.line.inlet_mm >= vessel.titrant_tip_mm:
        return 0.0
    waits_ml = config.sample.keep_wet_ml + vessel.residue_ml
    return max(0.0, waits_ml - vessel.volume_at_ml(vessel.titrant_tip_mm))
