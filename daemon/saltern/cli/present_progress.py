"""How far a determination has come, in words: which phase of how many, how long it still takes, the number so far."""

from math import ceil
from typing import Any

from saltern.chemistry.alkalinity_unit import DIGITS, AlkalinityUnit, from_dkh


def progress(running: dict[str, Any]) -> str:
    """Return for example " (phase 8 of 11, about 4 min left)"; nothing of what does not count its phases."""
    if not running.get("turns"):
        return ""
    left_s = running.get("left_s")
    left = ""
    if left_s is not None:
        left = ", longer than usual" if left_s <= 0.0 else f", about {ceil(left_s / 60.0)} min left"
    return f" (phase {running['turn']} of {running['turns']}{left})"


def so_far(running: dict[str, Any], unit: AlkalinityUnit) -> str:
    """Return for example ", so far about 7.98 dKH"; nothing before the end point is in sight."""
    found = running.get("so_far")
    if found is None:
        return ""
    value = found["umol_per_kg"] if unit is AlkalinityUnit.UMOL_KG else from_dkh(found["dkh"], unit)
    return f", so far about {value:.{DIGITS[unit]}f} {unit.value}"
