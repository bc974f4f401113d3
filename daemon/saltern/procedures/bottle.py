"""A new bottle of titrant: said, purged through by ledger, and bridged to the old one or left to a reference."""

from collections.abc import Callable, Sequence
from datetime import date
from statistics import mean
from typing import Annotated

from pydantic import Field
from pydantic.dataclasses import dataclass as validated

from saltern.bench import bookkeeping
from saltern.bench.bench import Bench
from saltern.config.tables import Titrant
from saltern.model.calibration import Calibration, Cause, Kind, RefusedError, Value
from saltern.model.determination import Determination
from saltern.model.parts import u_of_sum
from saltern.procedures.notebook import Notebook
from saltern.procedures.options import CHECKED, Day, Lot
from saltern.procedures.prime import PrimeOptions, prime, suggested_ml
from saltern.procedures.prompts import Prompts
from saltern.procedures.standardise import demand_going_on
from saltern.procedures.vessel import empty, keep_wet

PURGE_LINES = 2.0
JUMP_SIGMAS = 4.0
BRIDGE_TIMES = 2
"""So often is a bucket of tank water measured on each bottle. The tank itself moves in the time, and would be compared
with itself."""


@validated(frozen=True, config=CHECKED)
class BottleOptions:
    """The new bottle.

    Parameters
    ----------
    lot, expires
        For the records; ISO date.
    mol_per_l, u_percent
        Its strength by the label; as the old one otherwise.
    volume_ml
        What is in it; `titrant.bottle_ml` otherwise.
    bridge
        Measure a bucket of tank water twice on the old bottle and twice on the new one.
    """

    lot: Lot = ""
    expires: Day | None = None
    mol_per_l: Annotated[float, Field(gt=0.005, le=0.5)] | None = None
    u_percent: Annotated[float, Field(ge=0, le=10)] | None = None
    volume_ml: Annotated[float, Field(ge=10, le=50_000)] | None = None
    bridge: bool = False


def change_bottle(
    bench: Bench,
    prompts: Prompts,
    options: BottleOptions,
    measure: Callable[[], Determination],
) -> Calibration:
    """Change the bottle.

    Parameters
    ----------
    bench, prompts, options
        As ever.
    measure
        Carries out and keeps one determination of a bucket.

    Raises
    ------
    RefusedError
        The bottle has expired; or the bridge shows a jump.
    """
    today = bench.clock.now().date()
    if options.expires is not None and today > date.fromisoformat(options.expires):
        raise RefusedError(
            Cause.EXPIRED, f"the bottle expired on {options.expires}", kind=Kind.TITRANT, remedy="Take a fresh one"
        )
    old = []
    if options.bridge:
        prompts.confirm(
            "inlet-in-bucket",
            "Put the sample line's inlet into a covered bucket with some litres of tank water",
        )
        old = _measured(measure)
    prompts.confirm(
        "bottle-changed",
        "Goggles on: dilute acid still burns eyes. Put the titrant line's inlet into the new bottle, vented and "
        "labelled, where a spill reaches nothing that must not get acid",
    )
    volume_ml = options.volume_ml or bench.config.titrant.bottle_ml
    bench.note(bookkeeping.bottle_replaced(bench.ledger, volume_ml), f"new bottle of titrant, lot {options.lot}")
    notebook = Notebook(bench)
    purge_ml = PURGE_LINES / 1.5 * suggested_ml(bench, "titrant")
    prime(bench, prompts, PrimeOptions("titrant", purge_ml))
    keep_wet(bench, notebook)
    empty(bench, notebook, "empty the purge")
    keep_wet(bench, notebook)
    values = strength(options, bench.config.titrant)
    words = f"lot {options.lot or 'not given'}, {values['titrant.concentration_mol_per_l']:g} mol/L, {volume_ml:.0f} mL"
    statistics = {"purged_ml": purge_ml, "volume_ml": volume_ml}
    if options.bridge:
        new = _measured(measure)
        prompts.confirm("inlet-back", "Put the sample line's inlet back into the tank")
        statistics |= _bridge(prompts, old, new)
        words += f"; bridged: {statistics['jump_percent']:+.2f} % against the old bottle"
    prompts.say(words)
    return Calibration(Kind.TITRANT, values, words, statistics)


def strength(options: BottleOptions, titrant: Titrant) -> dict[str, Value]:
    """Return what the bench file would say of the titrant with this bottle."""
    return {
        "titrant.concentration_mol_per_l": options.mol_per_l or titrant.concentration_mol_per_l,
        "titrant.concentration_u_percent": (
            titrant.concentration_u_percent if options.u_percent is None else options.u_percent
        ),
    }


def _measured(measure: Callable[[], Determination]) -> list[Determination]:
    found = []
    for _ in range(BRIDGE_TIMES):
        found.append(measure())
        demand_going_on(found[-1])
    return found


def _bridge(prompts: Prompts, old: Sequence[Determination], new: Sequence[Determination]) -> dict[str, float]:
    """Compare what the old bottle and the new one say of one bucket.

    Raises
    ------
    RefusedError
        One of them has no value, or they are further apart than they state.
    """
    values = [[d.alkalinity.value for d in group if d.alkalinity.value is not None] for group in (old, new)]
    if any(len(found) < BRIDGE_TIMES for found in values):
        raise RefusedError(
            Cause.NOT_ACCEPTED,
            f"a bridge needs {BRIDGE_TIMES} results on the old bottle, and {BRIDGE_TIMES} on the new",
            kind=Kind.TITRANT,
            remedy="Measure a reference instead: saltern standardise",
        )
    left, right = (mean(found) for found in values)
    parts = [d.alkalinity.in_parts() for d in (*old, *new)]
    scatter = u_of_sum(parts, [-1.0 / len(old)] * len(old) + [1.0 / len(new)] * len(new))
    jump = (right - left) / left
    prompts.say(f"old bottle {left:.0f}, new bottle {right:.0f} umol/kg: {100.0 * jump:+.2f} %")
    if abs(right - left) > JUMP_SIGMAS * scatter:
        raise RefusedError(
            Cause.JUMP,
            f"the new bottle gives {100.0 * jump:+.2f} % against the old one: "
            f"{abs(right - left) / scatter:.1f} standard uncertainties",
            kind=Kind.TITRANT,
            remedy="Check the label; measure a reference on the new bottle: saltern standardise",
        )
    return {
        "jump_percent": 100.0 * jump,
        "bridge_u_percent": 100.0 * scatter / left,
        "old_umol_kg": left,
        "new_umol_kg": right,
    }
