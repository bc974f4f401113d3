"""Putting a bench to rest for weeks, and taking it up again."""

from typing import Annotated

from pydantic import Field
from pydantic.dataclasses import dataclass as validated

from saltern.bench.bench import Bench
from saltern.procedures.notebook import Notebook
from saltern.procedures.options import CHECKED
from saltern.procedures.prime import PrimeOptions, prime, suggested_ml
from saltern.procedures.prompts import Prompts
from saltern.procedures.vessel import empty, keep_wet, wet_the_probes

FLUSHES = 2


@validated(frozen=True, config=CHECKED)
class ParkOptions:
    """How often each line is flushed with fresh water."""

    flushes: Annotated[int, Field(ge=1, le=10)] = FLUSHES


@validated(frozen=True, config=CHECKED)
class ResumeOptions:
    """Nothing to choose."""


def park(bench: Bench, prompts: Prompts, options: ParkOptions) -> None:
    """Withdraw the acid, flush with fresh water, leave nothing that dries, corrodes or presses.

    Acid goes forward into the vessel and to waste, never back: what stood in the line is no longer clean.
    """
    notebook = Notebook(bench)
    prompts.confirm(
        "titrant-inlet-in-water",
        "Goggles on. Lift the titrant line's inlet out of the bottle, close the "
        "bottle, and put the inlet into a cup of fresh water",
    )
    for turn in range(options.flushes):
        prime(bench, prompts, PrimeOptions("titrant", suggested_ml(bench, "titrant"), drain_first=turn == 0))
    prompts.confirm(
        "sample-inlet-in-water", "Put the sample line's inlet into a bucket of fresh water, a litre at least"
    )
    wet_the_probes(bench, notebook)
    empty(bench, notebook)
    for _ in range(options.flushes):
        prime(bench, prompts, PrimeOptions("sample", bench.config.sample.keep_wet_ml, drain_first=False))
        bench.drain()
    prompts.confirm(
        "probes-in-storage",
        "Take the probes out: the pH probe into its storage solution, never into fresh "
        "water; the conductivity cell rinsed and dry",
    )
    prompts.confirm(
        "tubes-released",
        "Take the tubes out of the pump heads, or release the heads: a tube pressed for weeks keeps a dent",
    )


def resume(bench: Bench, prompts: Prompts, options: ResumeOptions) -> None:
    """Bring a parked bench back: tubes, lines, probes, and a first filling; results are provisional for a time."""
    del options
    notebook = Notebook(bench)
    prompts.confirm("tubes-in", "Put the tubes back into the pump heads, all ends where they belong")
    prompts.confirm("probes-in-vessel", "Look that the vessel is empty; rinse the probes and put them into it")
    bench.accept_empty("a keeper looked, taking the bench up: the vessel is empty")
    prompts.confirm(
        "inlets-back", "Put the sample line's inlet into the tank, the titrant's into its bottle; goggles on"
    )
    prime(bench, prompts, PrimeOptions("sample", bench.config.sample.keep_wet_ml, drain_first=False))
    empty(bench, notebook)
    prime(bench, prompts, PrimeOptions("titrant", None, drain_first=False))
    wet_the_probes(bench, notebook)
    empty(bench, notebook, "empty the purge")
    keep_wet(bench, notebook)
    emf_mv, _ = notebook.emf_mv()
    prompts.see("electrode in tank water", emf_mv, "mV")
    prompts.say(
        "Calibrate pH before the first result counts, and measure a reference: saltern calibrate ph, standardise"
    )
