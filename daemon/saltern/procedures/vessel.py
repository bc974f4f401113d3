"""Filling and emptying the vessel: the moves that all procedures share."""

from saltern.bench.bench import Bench
from saltern.config.tables import DrawDown
from saltern.errors import InterlockError, MotionError
from saltern.procedures.notebook import Notebook
from saltern.procedures.rinse import RinsePlan
from saltern.quality.drain_witness import DrainSeen

DRAW_DOWN_FACTOR, DRAW_DOWN_S = 2.5, 3.0
"""Longer than what is above the tip needs: a fill that gave more, and a pump that gives less."""

SHOWS = 1.3
"""So much more than wets the cell is drawn back to see the pump's direction: gain and residue (assumed)."""

ROOM_FOR_GAIN, COVERS_THE_TIPS = 1.1, 1.3
COVERS_THE_CELL = 1.2
"""Of what stands below the cell's tip in an empty vessel: what a worn sample tube gives less, and a slope (assumed)."""

ELECTRODE_WET_LAGS = 8.0  # an electrode that stood in air must come to rest before its signal may show acid


class NotEmptyError(MotionError):
    """A drain ended without proof that the vessel is empty."""


class SampleNotDrawnError(MotionError):
    """The sample pump turned, and the conductivity cell stayed dry."""


def empty(bench: Bench, notebook: Notebook, phase: str = "empty") -> None:
    """Drain to waste, and accept that only when the conductivity cell has gone from wet to dry.

    Raises
    ------
    NotEmptyError
        No such transition came in the computed time.
    """
    notebook.enter(phase)
    filled_ml = bench.filled_ml
    drained = bench.drain()
    _note_drain(bench, notebook, phase, filled_ml, drained.dry_after_s)
    if not drained.proved:
        seen = "the cell stayed wet" if drained.wet_seen else "the cell was dry from the start"
        raise NotEmptyError(
            f"the waste pump ran {drained.ran_s:.0f} s and emptiness is not proved: {seen}",
            where=f"{bench.config.name}, {phase}",
            remedy="Check the waste line, its container and the vessel's level, then run `saltern empty`; if you see "
            "that it is empty, say so: saltern part emptied vessel",
        )


def _note_drain(bench: Bench, notebook: Notebook, phase: str, filled_ml: float, dry_after_s: float | None) -> None:
    """Write down how long the waste pump took, where it is known what was in."""
    vessel, waste = bench.config.vessel, bench.config.pumps.waste
    above_ml = filled_ml - vessel.volume_at_ml(vessel.conductivity_tip_mm)
    if dry_after_s is not None and above_ml > 0.0:
        expected_s = above_ml / (waste.ml_per_unit * bench.devices.pumps["waste"].rate)
        notebook.drains.append(DrainSeen(phase, dry_after_s / expected_s, above_ml))


def wet_the_probes(bench: Bench, notebook: Notebook) -> bool:
    """Where the cell is dry, or the electrode may stand in air, add a little sample if the vessel has room for it.

    A run that was stopped leaves such a vessel. Only a cell that falls dry proves it empty; one found dry does not.

    Returns
    -------
    bool
        Whether the cell is wet.
    """
    config, vessel = bench.config, bench.config.vessel
    tips_ml = vessel.volume_at_ml(max(vessel.ph_tip_mm, vessel.conductivity_tip_mm))
    wet = bench.conductivity_ms_cm() >= config.probes.conductivity.dry_ms_cm
    if wet and bench.filled_ml > tips_ml:
        return True
    little_ml = COVERS_THE_TIPS * tips_ml
    most_ml = bench.ledger.vessel_ml.high + (little_ml + config.sample.air_break_ml) * ROOM_FOR_GAIN
    if most_ml > vessel.volume_at_ml(vessel.overfill_switch_mm):
        return wet or _wet_the_cell(bench, notebook)
    fill(bench, notebook, little_ml, "fill a little, so that emptying shows")
    bench.wait(ELECTRODE_WET_LAGS * config.probes.ph.lag_s)
    return True


def _wet_the_cell(bench: Bench, notebook: Notebook) -> bool:
    """Drain what may be there, unproved, then wet the cell alone, where even a full vessel has room for that.

    A power cut in the first seconds of a fill leaves a vessel that is nearly empty, and a bound by which it is nearly
    full: only a cell that is wetted and falls dry can say which.

    Returns
    -------
    bool
        Whether the cell is wet; not, where a vessel as full as its bound could overflow.
    """
    config, vessel = bench.config, bench.config.vessel
    little_ml = COVERS_THE_CELL * vessel.volume_at_ml(vessel.conductivity_tip_mm) + config.sample.air_break_ml
    phase = "fill a little, so that emptying shows"
    bench.drain()
    try:
        notebook.enter(phase)
        with bench.stage_below_the_spout(phase, sample_ml=little_ml):
            bench.add("sample", little_ml)
    except InterlockError as error:
        if error.interlock != "volume-bound":
            raise
        return False
    bench.wait(1.0)  # the last drops fall
    return bench.cell_is_wet()


def fill(bench: Bench, notebook: Notebook, volume_ml: float, phase: str = "fill") -> None:
    """Draw `volume_ml` of sample, then break the line with air so that nothing can run by gravity.

    The air drawn back after the fill before this one is pushed out first, so it is added to what the
    pump turns; it is not part of the sample.
    """
    notebook.enter(phase)
    air_ml = bench.config.sample.air_break_ml if bench.devices.pumps["sample"].reversible else 0.0
    with bench.stage(phase, sample_ml=volume_ml + 2.0 * air_ml):  # air that is drawn back comes in by a dead wire
        bench.add("sample", volume_ml + air_ml)
        if air_ml > 0.0:
            bench.draw_back("sample", air_ml)
    bench.wait(1.0)  # the last drops fall
    bench.noticed.sample_missing = bench.conductivity_ms_cm() < bench.config.probes.conductivity.dry_ms_cm
    if bench.noticed.sample_missing:
        raise SampleNotDrawnError(
            f"{volume_ml:.0f} mL were asked of the sample pump and the conductivity cell is dry",
            where=f"{bench.config.name}, {phase}",
            remedy="Check the sample line's inlet, its tube and the pump head",
        )


def prove_direction(bench: Bench) -> None:
    """Turn the sample pump backwards in a drained vessel: one whose direction wire is dead wets the dry cell.

    Such a pump adds at every fill what it should draw back, and nothing else shows it. What the line has lost is
    pushed back into it, so that it ends as it was.

    Raises
    ------
    MotionError
        The cell became wet. The trip is latched.
    """
    config = bench.config
    air_ml = config.sample.air_break_ml
    if air_ml <= 0.0 or not bench.devices.pumps["sample"].reversible or bench.cell_is_wet():
        return
    cell_ml = config.vessel.volume_at_ml(config.vessel.conductivity_tip_mm)
    back_ml = air_ml + SHOWS * (cell_ml - config.vessel.residue_ml)
    line_ml = config.pumps.sample.line.volume_ml
    lost_ml = max(0.0, min(air_ml + back_ml, line_ml) - air_ml)
    with bench.stage("direction of sample", sample_ml=back_ml + lost_ml):
        bench.draw_back("sample", back_ml)
        bench.wait(1.0)
        if bench.cell_is_wet():
            bench.guard.trip("direction_wrong")
            raise MotionError(
                "the sample pump turned forward when it should have turned back",
                where=f"{config.name}, pumps.sample.drive",
                remedy="Check its direction wire, then reset: it adds to each sample what it should draw back",
            )
        if lost_ml > 0.0:
            bench.add("sample", lost_ml)


def draw_down(bench: Bench, notebook: Notebook, tip: DrawDown) -> None:
    """Fill a little beyond the tip, then let the waste pump take what stands above it, and some air."""
    fill(bench, notebook, bench.config.sample.volume_ml + tip.over_ml)
    notebook.enter("draw down")
    bench.wait(2.0)
    waste = bench.config.pumps.waste
    rate_ml_s = waste.ml_per_unit * bench.devices.pumps["waste"].rate
    bench.draw_down(DRAW_DOWN_FACTOR * tip.over_ml / rate_ml_s + DRAW_DOWN_S)


def keep_wet(bench: Bench, notebook: Notebook) -> None:
    """Let the probes wait in fresh sample."""
    fill(bench, notebook, bench.config.sample.keep_wet_ml, "keep wet")
    notebook.enter("done")


def rinse(bench: Bench, notebook: Notebook, plan: RinsePlan) -> None:
    """Fill a little and empty, as often as planned: each dilutes the residue of the one before."""
    for turn in range(1, plan.times + 1):
        fill(bench, notebook, plan.volume_ml, f"rinse {turn} of {plan.times}")
        if turn == 1:
            bench.prove_permit("waste")
            bench.prove_cut("waste")
        bench.stir(bench.config.stirrer.titrate_speed)
        bench.wait(5.0)
        bench.stir(0.0)
        empty(bench, notebook, f"empty after rinse {turn}")
