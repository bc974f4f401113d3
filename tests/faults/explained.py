"""What is known of an accepted lie that a campaign finds: one like a blind row, or the bench's own error without fault.

Nothing is excused: a case stays violated. What is known is counted beside it, so that what is new stands out.
"""

from collections.abc import Mapping
from dataclasses import replace
from math import sqrt
from statistics import mean, stdev
from typing import Any

from tests.faults.blind import SIZES, is_blind
from tests.faults.drawn import Drawn
from tests.faults.judge import RESOLUTION, Lie, Outcome

WITHOUT_FAULT = 12
"""So many determinations of the same bench show what it is off by without any fault."""

OWN = 4.0
"""A value lies within a bench's own scatter up to so many of its standard deviations: twelve show those badly, and a
campaign has ten thousand values."""


THINS_ML = 2.0
"""So much sea water in a bottle of a litre makes results 0.2 % high: 5 umol/kg, more than a stated uncertainty."""


def known(case: Drawn, outcome: Outcome) -> str:
    """Return what explains all that a case violates, in words; nothing where something is new."""
    if set(outcome.violated) != {"no accepted lie"}:
        return ""
    why = {_known(case, lie) for lie in outcome.lies}
    return "" if "" in why else "; ".join(sorted(why))


def _known(case: Drawn, lie: Lie) -> str:
    if any(_is_another_gain(fault, lie.quantity) for fault in case.faults):
        return "blind as pump-gain-shift: a pump that loses a share of its steps is one of another gain"
    if any(_is_a_partial_drain(fault, lie.quantity) for fault in case.faults):
        return "blind as drain-partial: a waste pump that is weak while it counts leaves old sample"
    if any(_has_thinned_the_titrant(fault, lie.quantity) for fault in case.faults):
        return "blind as titrant-wrong-strength: sample that ran through a titrant head is in the bottle for good"
    return "the bench's own error, without any fault" if within_own_error(case, lie) else ""


def _is_another_gain(fault: Mapping[str, Any], quantity: str) -> bool:
    """Return whether steps are lost, and a gain that is lower by as much would be blind for the quantity."""
    return fault["kind"] == "steps-lost" and is_blind({**fault, "kind": "pump-gain-shift"}, quantity)


def _is_a_partial_drain(fault: Mapping[str, Any], quantity: str) -> bool:
    """Return whether the waste pump gives less than it counts, and a drain that leaves as little is blind for it."""
    weak = fault["kind"] == "brown-out" and fault.get("pump") == "waste"
    return weak and is_blind({"kind": "drain-partial"}, quantity)


def _has_thinned_the_titrant(fault: Mapping[str, Any], quantity: str) -> bool:
    """Return whether sea water has run into the bottle for a while, and what it left is blind for the quantity."""
    if fault["kind"] != "head-leak" or fault.get("pump") != "titrant" or "for_h" not in fault:
        return False
    ran_ml = fault.get("size", SIZES["head-leak"]) * 60.0 * fault["for_h"]
    return ran_ml >= THINS_ML and is_blind({"kind": "titrant-wrong-strength", "size": -0.02}, quantity)


def within_own_error(case: Drawn, lie: Lie) -> bool:
    """Return whether the same bench is as far off without any fault."""
    table = {name: part for name, part in case.table.items() if name not in ("fault", "operator")}
    alone = replace(case, table=table | {"days": (WITHOUT_FAULT - 0.05) / 24.0}, determinations=WITHOUT_FAULT).play()
    errors = alone.errors.get(lie.quantity, [])
    if len(errors) < WITHOUT_FAULT // 2:
        return False
    spread = max(stdev(errors), RESOLUTION[lie.quantity])
    return abs(lie.off - mean(errors)) <= OWN * spread * sqrt(1.0 + 1.0 / len(errors))
