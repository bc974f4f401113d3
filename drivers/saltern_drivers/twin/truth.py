"""The one draw: a bench's truths, from its file, its class of instruments, its world, a seed, and what is pinned."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from saltern_drivers.twin.instruments import Errors, Truths, draw, with_changes
from saltern_drivers.twin.truth_table import TABLE, Bench, stated


@dataclass(frozen=True)
class Asked:
    """What a scenario says of the truth.

    Parameters
    ----------
    world
        `near`, `apart` or `unfriendly`.
    calibrated
        Whether a standardisation made the titre factor right.
    errors
        The class of instruments.
    set_errors
        Names of those errors that the scenario set itself: they are taken as they are, and not drawn about.
    pinned
        Truths by name, as they are now; what was calibrated was calibrated without them.
    """

    errors: Errors
    calibrated: bool = True
    world: str = "near"
    set_errors: frozenset[str] = frozenset()
    pinned: Mapping[str, float] | None = None


def draw_truth(bench: Bench, asked: Asked, seed: int, random: np.random.Generator) -> tuple[Truths, dict[str, float]]:
    """Return what is true of the instruments, and every truth by name.

    Parameters
    ----------
    bench
        The bench file as a table: what the keeper believes.
    asked
        What the scenario says.
    seed
        Of the rows.
    random
        Of the errors of the class.
    """
    pinned = dict(asked.pinned or {})
    real = stated(bench, asked.errors)
    for name in real:
        row = TABLE[name]
        if name in pinned:
            real[name] = pinned[name]
        elif row.error not in asked.set_errors:
            real[name] = row.drawn(asked.world, real[name], seed)
    errors = with_changes(asked.errors, _errors_of(real, bench, asked.errors))
    titre_u = (bench["titre"]["u_percent"] or 0.0) / 100.0
    metered = _metered(bench, real)
    truths = draw(errors, calibrated=asked.calibrated, titre_u=titre_u, random=random, metered=metered)
    for row in TABLE.values():
        if row.of_class:
            of_one = row.stated(bench, errors)
            drawn = row.drawn(asked.world, of_one * getattr(truths, row.of_class), seed)
            real[row.name] = pinned.get(row.name, drawn)
            setattr(truths, row.of_class, real[row.name] / of_one)
    return truths, real


def _errors_of(real: Mapping[str, float], bench: Bench, errors: Errors) -> dict[str, float]:
    """Return the errors that rows have drawn, in the errors' own units."""
    found: dict[str, float] = {}
    for name, value in real.items():
        row = TABLE[name]
        if row.error:
            was, shown = float(getattr(errors, row.error)), row.stated(bench, errors)
            found[row.error] = value * was / shown if shown else value / _unit_of(row.unit)
    return found


def _unit_of(unit: str) -> float:
    return 100.0 if unit == "%" else 1.0


def _metered(bench: Mapping[str, Any], real: Mapping[str, float]) -> float | None:
    """Return the true sample over the believed one where no pump meters it; None where one does."""
    tip = bench["sample"].get("draw_down")
    if tip is None:
        return None
    believed_ml = tip["tip_mm"] * bench["vessel"]["area_cm2"]
    return real["draw_down_tip_mm"] * real["vessel_area_cm2"] / float(believed_ml)


def as_stated(bench: Bench, truths: Truths) -> dict[str, float]:
    """Return every truth by name where file and class are right, and the instruments are these."""
    real = stated(bench, truths.errors)
    for row in TABLE.values():
        if row.of_class:
            real[row.name] = row.stated(bench, truths.errors) * getattr(truths, row.of_class)
    return real
