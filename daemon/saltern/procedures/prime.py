"""Priming: filling a line with its liquid, or emptying it with what its inlet is in."""

from typing import Annotated, Literal

from pydantic import Field
from pydantic.dataclasses import dataclass as validated

from saltern.bench.bench import Bench
from saltern.errors import ConfigError
from saltern.procedures.notebook import Notebook
from saltern.procedures.options import CHECKED
from saltern.procedures.prompts import Prompts
from saltern.procedures.vessel import empty, keep_wet, wet_the_probes

LINES = 1.5
"""A line is full after about one and a half times its volume: the front mixes on the way (common practice)."""

PIECE_S = 2.0


@validated(frozen=True, config=CHECKED)
class PrimeOptions:
    """Which line, and how much; one and a half times the line's volume otherwise."""

    pump: Literal["sample", "titrant"]
    volume_ml: Annotated[float, Field(ge=0.01, le=1000)] | None = None
    drain_first: bool = True


def suggested_ml(bench: Bench, pump: str) -> float:
    """Return how much fills the line."""
    line = getattr(bench.config.pumps, pump).line
    return float(LINES * line.volume_ml)


def prime_and_leave_clean(bench: Bench, prompts: Prompts, options: PrimeOptions) -> float:
    """Prime, then leave the vessel as between determinations: no acid in it, probes wet in fresh sample."""
    through_ml = prime(bench, prompts, options)
    notebook = Notebook(bench)
    if options.pump == "titrant":  # what went through is acid, and too little to be seen to drain
        keep_wet(bench, notebook)
    empty(bench, notebook, "empty what was primed")
    keep_wet(bench, notebook)
    return through_ml


def prime(bench: Bench, prompts: Prompts, options: PrimeOptions) -> float:
    """Pump through a line into the vessel, in short pieces so that a stop is heeded at once; return the total, mL.

    Raises
    ------
    InterlockError
        The vessel, or the titrant's ceiling, cannot take it.
    ConfigError
        More is asked for than the vessel can ever take.
    """
    volume_ml = options.volume_ml or suggested_ml(bench, options.pump)
    notebook = Notebook(bench)
    limits, vessel = bench.config.limits, bench.config.vessel
    most_ml = limits.titrant_per_run_ml if options.pump == "titrant" else vessel.volume_at_ml(vessel.overfill_switch_mm)
    if volume_ml > most_ml:
        raise ConfigError(
            f"{volume_ml:.1f} mL is more than {most_ml:.0f} mL, the most that may go into the vessel at once",
            where=f"prime {options.pump}",
            remedy="Prime by parts, the vessel emptied between",
        )
    if options.drain_first:
        wet_the_probes(bench, notebook)
        empty(bench, notebook)
    rate_ml_s = getattr(bench.config.pumps, options.pump).ml_per_unit * bench.devices.pumps[options.pump].rate
    piece_ml, through_ml = PIECE_S * rate_ml_s, 0.0
    notebook.enter(f"prime {options.pump}")
    sample_ml, titrant_ml = (volume_ml if options.pump == role else 0.0 for role in ("sample", "titrant"))
    with bench.stage(f"prime {options.pump}", sample_ml=sample_ml, titrant_ml=titrant_ml):
        while volume_ml - through_ml > 1e-6:
            part_ml = min(piece_ml, volume_ml - through_ml)
            bench.add(options.pump, part_ml)
            through_ml += part_ml
            prompts.see(f"{options.pump} through", through_ml, "mL")
    prompts.say(f"{through_ml:.2f} mL went through the {options.pump} line")
    return through_ml
