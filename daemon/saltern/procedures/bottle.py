"""A new bottle of titrant: said, purged through by ledger, and bridged to the old one or left to a reference."""

from collections.abc import Callable, Sequence
from datetime import date
from math import hypot
from statistics import mean
from typing import Annotated

from pydantic import Field
from pydantic.dataclasses import dataclass as validated

from saltern.bench import ledger as books
from saltern.bench.bench import Bench
from saltern.config.tables import Titrant
from saltern.model.calibration import Calibration, Cause, Kind, RefusedError, Value
from saltern.model.determination import Determination
from saltern.procedures.notebook import Notebook
from saltern.procedures.options import CHECKED, Day, Lot
from saltern.procedures.prime import PrimeOptions, prime, suggested_ml
from saltern.procedures.prompts import Prompts
from saltern.procedures.standardise import demand_going_on
from saltern.procedures.vessel import empty, keep_wet

PURGE_LINES = 2.0
JUMP_SIGMAS = 4.0
BRIDGE_WITHIN_H = 24.0
"""Older results of the old bottle say too little of the tank as it is now."""


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
        Measure the tank twice on the new bottle and compare with the last two on the old one.
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
    old: Sequence[Determination],
    measure: Callable[[], Determination],
) -> Calibration:
    """Change the bottle.

    Parameters
    ----------
    bench, prompts, options
        As ever.
    old
        The last two determinations of the tank on the old bottle, newest first.
    measure
        Carries out and keeps one determination of the tank.

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
    prompts.confirm(
        "bottle-changed",
        "Goggles on: dilute acid still burns eyes. Put the titrant line's inlet into the new bottle, vented and "
        "labelled, where a spill reaches nothing that must not get acid",
    )
    volume_ml = options.volume_ml or bench.config.titrant.bottle_ml
    bench.note(books.bottle_replaced(bench.ledger, volume_ml), f"new bottle of titrant, lot {options.lot}")
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
        new = []
        for _ in range(2):
            new.append(measure())
            demand_going_on(new[-1])
        statistics |= _bridge(bench, prompts, old, new)
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


def _bridge(
    bench: Bench, prompts: Prompts, old: Sequence[Determination], new: Sequence[Determination]
) -> dict[str, float]:
    """Compare the last two determinations on the old bottle with the first two on the new.

    Raises
    ------
    RefusedError
        There are none to compare, or they are further apart than they state.
    """
    now = bench.clock.now()
    before = [d for d in old if (now - d.started_at).total_seconds() < BRIDGE_WITHIN_H * 3600.0]
    values = [[d.alkalinity.value for d in group if d.alkalinity.value is not None] for group in (before, new)]
    if any(len(found) < 2 for found in values):
        raise RefusedError(
            Cause.NOT_BELIEVED,
            "a bridge needs two results of the last day on the old bottle, and two on the new",
            kind=Kind.TITRANT,
            remedy="Measure a reference instead: saltern standardise",
        )
    left, right = (mean(v for v in found if v is not None) for found in values)
    scatter = hypot(*(d.alkalinity.u or 0.0 for d in (*before[:2], *new[:2]))) / 2.0
    jump = (right - left) / left
    prompts.say(f"old bottle {left:.0f}, new bottle {right:.0f} umol/kg: {100.0 * jump:+.2f} %")
    if abs(right - left) > JUMP_SIGMAS * scatter:
        raise RefusedError(
            Cause.JUMP,
            f"the new bottle gives {100.0 * jump:+.2f} % against the old one: "
            f"{abs(right - left) / scatter:.1f} standard uncertainties",
            kind=Kind.TITRANT,
            remedy="Look at the label; measure a reference on the new bottle: saltern standardise",
        )
    return {
        "jump_percent": 100.0 * jump,
        "bridge_u_percent": 100.0 * scatter / left,
        "old_umol_kg": left,
        "new_umol_kg": right,
    }
