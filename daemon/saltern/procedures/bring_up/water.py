"""The steps with water: what each pump moves, and whether all of it stays where it should.

The water is fresh, with 35 g of kitchen salt to the litre: it harms nothing, and the conductivity cell sees it.
"""

from saltern.bench import bookkeeping
from saltern.bench.bench import Bench
from saltern.errors import MotionError
from saltern.model.calibration import Cause, Kind
from saltern.procedures.bring_up.site import Found, Site, StepRefusedError, choose
from saltern.procedures.notebook import Notebook
from saltern.procedures.prime import suggested_ml
from saltern.procedures.vessel import (
    ELECTRODE_WET_LAGS,
    ROOM_FOR_GAIN,
    SampleNotDrawnError,
    empty,
    fill,
    prove_direction,
    wet_the_probes,
)

POURED = 1.8
"""Of what covers the cell: enough to see it fall, far from the float (assumed)."""

ACID_SHOWS_MV = 20.0
"""A little water moves the electrode by less. 0.2 mL of 0.05 mol/L acid turns a twentieth of the bicarbonate in 60 mL
of tap water of 3 mmol/L into CO2: from pH 8 to 7.4 by pK1 6.35 at 25 degC (handbook), which is 35 mV."""

FIRST_FILL_LINES = 4.0
"""Of the line's content, above the cell: one stays in the line, and of what is counted as filled 0.6 must leave before
the cell may fall dry (`saltern.bench.draining`)."""

WELL = 3.0
"""So many times what covers the probes (assumed): 48 mL at the example benches, a third of what lifts the float."""

LEAKS_S = 3600.0
STIRRED_S = 20.0


def pour(bench: Bench, most_ml: float, why: str) -> None:
    """Let the ledger know of what a person pours into the vessel by hand."""
    vessel_ml = bench.ledger.vessel_ml.high + most_ml
    bench.note(bookkeeping.level_unknown(bench.ledger, min(bench.config.vessel.capacity_ml, vessel_ml)), why)


def well_ml(bench: Bench) -> float:
    """Return several times what covers the probes."""
    vessel = bench.config.vessel
    tips_ml = vessel.volume_at_ml(max(vessel.ph_tip_mm, vessel.conductivity_tip_mm))
    return max(bench.config.sample.keep_wet_ml, WELL * tips_ml)


def fill_well(bench: Bench, notebook: Notebook) -> None:
    """Cover the probes well over: what covers a cell by a millimetre alone falls dry too early, and proves nothing.

    How high the cell hangs is not measured before its step.
    """
    fill(bench, notebook, well_ml(bench), "fill a little, so that emptying shows")


def wet_well(bench: Bench, notebook: Notebook) -> None:
    """Cover the probes well over where the cell is dry and the vessel has room for it, and let the electrode rest."""
    config, vessel = bench.config, bench.config.vessel
    asked_ml = well_ml(bench) + 2.0 * config.sample.air_break_ml
    most_ml = bench.ledger.vessel_ml.high + ROOM_FOR_GAIN * asked_ml
    if bench.cell_is_wet() or most_ml > vessel.volume_at_ml(vessel.overfill_switch_mm):
        wet_the_probes(bench, notebook)
        return
    fill_well(bench, notebook)
    bench.wait(ELECTRODE_WET_LAGS * config.probes.ph.lag_s)


def acid_shows_mv(bench: Bench) -> float:
    """Prime the titrant line into standing water, and return by how much the electrode's signal moves, mV."""
    before_mv = bench.readings.steady_emf_mv()
    line_ml = suggested_ml(bench, "titrant")
    with bench.stage("prime titrant", titrant_ml=line_ml):
        bench.add("titrant", line_ml)
    bench.stir(bench.config.stirrer.titrate_speed)
    bench.wait(STIRRED_S)
    bench.stir(0.0)
    bench.wait(STIRRED_S)
    return bench.readings.steady_emf_mv() - before_mv


def water(site: Site) -> Found:
    """Prove the waste pump's direction before anything is filled, then fill, drain, and prove the others."""
    bench, prompts = site.bench, site.prompts
    notebook = Notebook(bench)
    prompts.confirm("vessel-dry", "Motor supply off; empty the vessel by hand, and wipe it dry")
    prompts.confirm(
        "bottles-of-water",
        "Put the sample inlet into a bucket of fresh water with 35 g of kitchen salt to the litre, not into the tank, "
        "and the titrant inlet into a bottle of fresh water: no acid yet. The tray must hold all that the bucket holds",
    )
    prompts.confirm(
        "hoses-on",
        "Thread the hoses, ends where they belong: sample above the spout, titrant at its tip, waste into its empty "
        "container; motor supply on. Open no pump head while a hose is full: it siphons",
    )
    bench.note(bookkeeping.container_emptied(bench.ledger), "bring-up: an empty container")
    bench.accept_empty("bring-up: nothing was filled yet")
    _waste_first(site)
    _fill_and_drain(site, notebook)
    _titrant(site, notebook)
    return Found("the waste pump drains, the others fill, and each turns back when it should")


def _waste_first(site: Site) -> None:
    """Pour a little in by hand, and let the waste pump take it out: only then may another pump fill."""
    bench, prompts = site.bench, site.prompts
    cup_ml = POURED * bench.machine.cell_ml
    pour(bench, 1.5 * cup_ml, "bring-up: a cup of water was poured in by hand")
    prompts.confirm("pour-cup", f"Pour {cup_ml:.0f} mL of the salted water into the vessel with a cup")
    if not bench.cell_is_wet():
        raise StepRefusedError(
            Kind.BRING_UP_WATER,
            Cause.NOT_SEEN,
            f"{cup_ml:.0f} mL were poured in, and the conductivity cell reads dry",
            "Salt the water, 35 g to the litre; else check the cell's height and its plug",
        )
    drained = bench.drain(tries=1, most_ml=1.5 * cup_ml)
    seen = choose(
        prompts,
        "level",
        "The waste pump ran. What became of the water in the vessel?",
        ("it went into the container", "it is still there", "it rose, or bubbles came"),
    )
    if seen == 1 and drained.proved:
        return
    if seen == 2:
        cause, what = Cause.NO_FLOW, "the waste pump ran, and the water stayed in the vessel"
        remedy = "Check the hose and the rollers of the waste pump, and which way it turns"
    elif not drained.proved:
        cause, what = (
            Cause.REVERSED,
            "the waste pump ran, and lowered no water in the vessel: it turns backwards",
        )
        remedy = "Swap its two motor wires; nothing else was filled. Dry the vessel by hand"
    else:
        cause, what = Cause.CELL, "the cell fell dry, and somebody saw the water stay"
        remedy = "Check the cell's plug: it reads dry where there is water"
    raise StepRefusedError(Kind.BRING_UP_WATER, cause, what, remedy)


def _fill_and_drain(site: Site, notebook: Notebook) -> None:
    bench = site.bench
    bench.noticed.drain_failed = bench.noticed.drain_unproved = False
    line_ml = bench.config.pumps.sample.line.volume_ml
    try:  # the line is empty yet: more than it holds must come, or the cell would fall dry before its time
        fill(bench, notebook, bench.machine.cell_ml + FIRST_FILL_LINES * line_ml, "fill")
    except SampleNotDrawnError as error:
        raise StepRefusedError(
            Kind.BRING_UP_WATER,
            Cause.NO_FLOW,
            "the sample pump turned, and no water came into the vessel",
            "Check that its outlet is in the vessel, its inlet in the bucket, and which way the hose is threaded",
        ) from error
    empty(bench, notebook)
    try:
        prove_direction(bench)
    except MotionError as error:
        bench.guard.reset("bring-up")
        raise StepRefusedError(
            Kind.BRING_UP_WATER, Cause.REVERSED, error.what, "Check the sample pump's direction wire"
        ) from error
    fill_well(bench, notebook)  # what was pushed back into the line counts as filled: so much that it does not matter
    empty(bench, notebook)


def _titrant(site: Site, notebook: Notebook) -> None:
    bench, prompts = site.bench, site.prompts
    wet_well(bench, notebook)
    moved_mv = acid_shows_mv(bench)
    if abs(moved_mv) > ACID_SHOWS_MV:
        raise StepRefusedError(
            Kind.BRING_UP_WATER,
            Cause.ACID_TOO_EARLY,
            f"the titrant pump moved the electrode by {moved_mv:.0f} mV: what it draws is not water",
            "Put its inlet into fresh water, and flush it: saltern prime titrant. No acid before step 12",
        )
    seen = choose(
        prompts,
        "titrant-tip",
        "The titrant pump ran. What came out of its tip in the vessel?",
        ("drops of water", "nothing, or air", "it drew in"),
    )
    if seen != 1:
        raise StepRefusedError(
            Kind.BRING_UP_WATER,
            Cause.REVERSED if seen == 3 else Cause.NO_FLOW,
            f"the titrant pump ran, and {'drew water in' if seen == 3 else 'nothing came'} at its tip",
            "Check that its outlet is in the vessel, its inlet in the bottle, and which way the hose is threaded",
        )
    empty(bench, notebook)


def leaks(site: Site) -> Found:
    """Let a full vessel stand for an hour, and look for drops."""
    bench, prompts = site.bench, site.prompts
    wet_well(bench, Notebook(bench))
    empty(bench, Notebook(bench))
    fill(bench, Notebook(bench), bench.config.sample.volume_ml, "fill")
    prompts.confirm("papers-laid", "Lay dry paper under vessel, pump heads and bottles; it is looked at in an hour")
    prompts.say("Nothing moves for an hour. Come back then; the answer waits.")
    bench.wait(LEAKS_S)
    seen = choose(
        prompts,
        "papers",
        "What do the papers show after an hour?",
        ("all are dry", "one is wet", "the level has changed"),
    )
    wet = {row.name for row in bench.guard.acting} & {"leak", "overfill"}
    if wet or seen != 1 or not bench.cell_is_wet():
        saw = f"the interlock {min(wet)} acted" if wet else "a paper is wet" if seen == 2 else "the level has changed"
        raise StepRefusedError(
            Kind.BRING_UP_LEAKS,
            Cause.DRIPS,
            f"within an hour at rest {saw}",
            "Find the drop: tighten that hose. A level that rises comes through a pump head that does not close",
        )
    return Found("an hour with a full vessel, and every paper is dry", statistics={"stood_s": LEAKS_S})
