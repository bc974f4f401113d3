"""The vessel, measured with a scale: its cross-section, what a drain leaves, and how high the cell hangs."""

from saltern.bench.bench import Bench
from saltern.model.calibration import Cause, Kind, Value
from saltern.procedures.bring_up.site import Found, Site, StepRefusedError
from saltern.procedures.bring_up.water import pour, wet_well
from saltern.procedures.notebook import Notebook
from saltern.procedures.vessel import empty, wet_the_probes

SALTED_G_ML = 1.023
"""35 g of sodium chloride in a litre of water at 20 to 25 degC, within 0.003 (handbook tables; from memory)."""

IN_AIR = 1.0 - 0.0012 / SALTED_G_ML + 0.0012 / 8.0
"""What a scale shows of a gram: the buoyancy of air of 0.0012 g/mL, weights of 8.0 g/mL."""

DIFFERS_SHARE = 0.15
"""A vessel that was measured with a rule is known better than that; a scale that was not tared errs by more."""

STEPS_TO_WET = 40
STEP_ML = 0.4
"""A sixteenth of what wets the cell of the example benches: as fine as heights are set with a rule."""


def vessel(site: Site) -> Found:
    """Weigh what a drain leaves and what lifts the float, and see how much wets the cell."""
    bench, prompts, notebook = site.bench, site.prompts, Notebook(site.bench)
    stated = bench.config.vessel
    wet_well(bench, notebook)
    empty(bench, notebook)
    residue_ml = _ml(prompts.number(
        "residue", "Take up with a weighed tissue all that the drain has left. How much is it?", "g", 0.0, 50.0
    ))  # fmt: skip
    bench.accept_empty("bring-up: the vessel was wiped dry")
    wets_ml = _wets_ml(bench)
    wet_the_probes(bench, notebook)
    empty(bench, notebook)
    prompts.confirm("vessel-dry", "Wipe the vessel dry once more, and tare a jug of salted water on the scale")
    pour(bench, stated.capacity_ml, "bring-up: water was poured in by hand, up to the float")
    prompts.confirm("pour-to-float", "Pour from the jug, slowly, until the overfill float lifts")
    poured_ml = _ml(prompts.number("poured", "How much has left the jug?", "g", 0.0, 2000.0))
    lifted = bool(bench.guard.scan()) and any(row.name == "overfill" for row in bench.guard.acting)
    bench.drain()
    if lifted:
        bench.guard.reset("bring-up")
    area_cm2 = 10.0 * poured_ml / stated.overfill_switch_mm
    found = {
        "area_cm2": round(area_cm2, 2),
        "residue_ml": round(max(residue_ml, 0.05), 2),
        "conductivity_tip_mm": round(10.0 * wets_ml / area_cm2, 1),
    }
    share = area_cm2 / stated.area_cm2 - 1.0
    if not lifted or abs(share) > DIFFERS_SHARE:
        seen = f"{poured_ml:.0f} mL were poured in, {'and' if lifted else 'and the float did not lift'}"
        raise StepRefusedError(
            Kind.BRING_UP_VESSEL,
            Cause.HEIGHTS,
            f"{seen} by that the vessel has {area_cm2:.1f} cm2; the bench file says {stated.area_cm2:.1f} cm2",
            "Tare the scale and pour again; else measure vessel and float with a rule, and correct the bench file",
        )
    if not stated.waste_tip_mm <= found["conductivity_tip_mm"] < stated.overfill_switch_mm:
        raise StepRefusedError(
            Kind.BRING_UP_VESSEL,
            Cause.HEIGHTS,
            f"{wets_ml:.1f} mL wet the cell: it would hang {found['conductivity_tip_mm']:g} mm above the floor",
            "Check the heights of cell and waste tip",
        )
    values: dict[str, Value] = {f"vessel.{name}": value for name, value in found.items()}
    words = ", ".join(f"{name} {value:g}" for name, value in found.items())
    return Found(f"the vessel, weighed: {words}", values, {"poured_ml": poured_ml, "wets_ml": wets_ml})


def _ml(shown_g: float) -> float:
    return shown_g / IN_AIR / SALTED_G_ML


def _wets_ml(bench: Bench) -> float:
    """Add to the dry vessel until the cell is wet; return how much that took, mL."""
    air_ml = bench.config.sample.air_break_ml if bench.devices.pumps["sample"].reversible else 0.0
    most_ml = STEPS_TO_WET * STEP_ML
    with bench.stage("fill", sample_ml=most_ml + air_ml):
        if air_ml > 0.0:  # what was drawn back after the fill before is air
            bench.add("sample", air_ml)
        for step in range(STEPS_TO_WET):
            if bench.cell_is_wet():
                return STEP_ML * step
            bench.add("sample", STEP_ML)
            bench.wait(1.0)
    raise StepRefusedError(
        Kind.BRING_UP_VESSEL,
        Cause.HEIGHTS,
        f"{most_ml:.0f} mL went into the dry vessel, and the cell still reads dry",
        "Hang the cell lower, or check its plug",
    )
