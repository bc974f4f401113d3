"""The one draw: a bench's truths, from its file, its class of instruments, its world, a seed, and what is pinned."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from saltern_drivers.twin.instruments import Errors, Truths, draw, with_changes
from saltern_drivers.twin.truth_table import TABLE, Bench, stated

CLEAR_OF_RESIDUE, CLEAR_ML, CLEAR_OF_SPOUT_MM = 1.3, 1.0, 2.0
"""A cell hangs so far above what a drain leaves, and a float so far below the spout (assumed)."""


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
        Truths by name, as they are now; what was calibrated was calibrated while they were as the file states.
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
    stated_by_file = stated(bench, asked.errors)
    drawn = {
        name: value
        if name in pinned or TABLE[name].error in asked.set_errors
        else TABLE[name].drawn(asked.world, value, seed)
        for name, value in stated_by_file.items()
    }
    if "tip_height" in asked.set_errors and "draw_down_tip_mm" not in pinned:
        off = np.random.default_rng([seed, 2]).normal(0.0, asked.errors.tip_height)
        drawn["draw_down_tip_mm"] = stated_by_file["draw_down_tip_mm"] * (1.0 + off)
    _bring_up(drawn, stated_by_file, pinned)
    real = {name: pinned.get(name, value) for name, value in drawn.items()}
    errors = with_changes(asked.errors, _errors_of(real, bench, asked.errors))
    by_pump, sample = _sample(bench, drawn)
    titre_u = (bench["titre"]["u_percent"] or 0.0) / 100.0
    truths = draw(errors, calibrated=asked.calibrated, titre_u=titre_u, random=random, by_pump=by_pump, sample=sample)
    if asked.calibrated:  # by pumps that gave what the file states, where what they give now is pinned
        truths.titrant_strength /= truths.sample_gain if by_pump and "sample_ml_per_unit" in pinned else 1.0
        truths.titrant_strength *= truths.titrant_gain if "titrant_ml_per_unit" in pinned else 1.0
    for row in TABLE.values():
        if row.of_class:
            of_one = row.stated(bench, errors)
            value = row.drawn(asked.world, of_one * getattr(truths, row.of_class), seed)
            real[row.name] = pinned.get(row.name, value)
            setattr(truths, row.of_class, real[row.name] / of_one)
    return truths, real


def _bring_up(drawn: dict[str, float], stated_by_file: Mapping[str, float], pinned: Mapping[str, float]) -> None:
    """Put right what nobody brings up a bench with: a cell that a drain leaves wet, a float at the spout."""
    least_mm = 10.0 * (CLEAR_OF_RESIDUE * drawn["residue_ml"] + CLEAR_ML) / drawn["vessel_area_cm2"]
    if "conductivity_tip_mm" not in pinned and drawn["conductivity_tip_mm"] < least_mm:
        drawn["conductivity_tip_mm"] = max(least_mm, min(stated_by_file["conductivity_tip_mm"], least_mm + 1.0))
    if "overfill_switch_mm" not in pinned and drawn["overfill_switch_mm"] > drawn["spout_mm"] - CLEAR_OF_SPOUT_MM:
        drawn["overfill_switch_mm"] = drawn["spout_mm"] - CLEAR_OF_SPOUT_MM


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


def _sample(bench: Bench, drawn: Mapping[str, float]) -> tuple[bool, float]:
    """Return whether the pump meters the sample, and what it is truly, over what is stated, but for its gain."""
    sample, stated_ml = bench["sample"], float(bench["vessel"]["residue_ml"])
    tip = sample.get("draw_down")
    if tip is not None:
        tip_ml = float(tip["tip_mm"] * bench["vessel"]["area_cm2"])
        return False, drawn["draw_down_tip_mm"] * drawn["vessel_area_cm2"] / tip_ml
    left_ml = drawn["residue_ml"] - stated_ml  # what a drain leaves counts as sample
    weighed = bench["probes"].get("balance") is not None
    return not weighed, 1.0 + left_ml / (float(sample["volume_ml"]) + stated_ml)


def as_stated(bench: Bench, truths: Truths) -> dict[str, float]:
    """Return every truth by name where file and class are right, and the instruments are these."""
    real = stated(bench, truths.errors)
    for row in TABLE.values():
        if row.of_class:
            real[row.name] = row.stated(bench, truths.errors) * getattr(truths, row.of_class)
    return real
