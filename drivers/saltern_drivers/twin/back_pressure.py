"""What pumps give against their head: less with each metre that the liquid is lifted further than when they were tried.

A roller pump's tube slips back and fills less well against pressure; by how much is a matter of the tube and of the
head's occlusion, and its size is assumed. Heads go with the levels: the tank's falls until it is topped up, the
bottle's falls as it is emptied, the vessel's rises over an end that hangs in it.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import pi
from typing import Any

SLENDER = 2.0
"""Height of a bottle over its width (assumed)."""


def bottle_area_cm2(volume_ml: float) -> float:
    """Return the cross-section of a round bottle of this volume."""
    width_cm: float = (4.0 * volume_ml / (pi * SLENDER)) ** (1.0 / 3.0)
    return pi * width_cm**2 / 4.0


@dataclass
class BackPressure:
    """What heads do to pumps.

    Parameters
    ----------
    loss_percent_per_m
        Of flow, with each metre.
    found_at_mm
        By pump, the head at which its gain was found.
    full_bottle_ml, area_of_bottle_cm2
        Of the titrant.
    """

    loss_percent_per_m: float
    found_at_mm: Mapping[str, float]
    full_bottle_ml: float
    area_of_bottle_cm2: float

    def share(self, pump: str, head_mm: float, bottle_ml: float) -> float:
        """Return what a pump gives, over what it gave at the head at which its gain was found.

        Parameters
        ----------
        pump
            Its name.
        head_mm
            How far it lifts liquid now, out of a full bottle.
        bottle_ml
            What is left in that.
        """
        more_mm = head_mm - self.found_at_mm[pump]
        if pump == "titrant":
            more_mm += 10.0 * (self.full_bottle_ml - bottle_ml) / self.area_of_bottle_cm2
        return max(0.0, 1.0 - self.loss_percent_per_m / 100.0 * more_mm / 1000.0)


def back_pressure_of(bench: Mapping[str, Any], truth: Mapping[str, float]) -> BackPressure | None:
    """Return what heads do in a world; None where pumps do not feel them.

    Gains are those of a full bottle, a tank in the middle of its levels, a sample line that ends in air, and a vessel
    that is filled: where a reference was titrated.
    """
    loss = truth["flow_loss_percent_per_m"]
    if not loss:
        return None
    full_ml = bench["titrant"]["bottle_ml"]
    filled_mm = 10.0 * (bench["sample"]["volume_ml"] + truth["residue_ml"]) / truth["vessel_area_cm2"]
    found_at_mm = {
        "sample": truth["sample_outlet_mm"] - truth["tank_surface_mm"],
        "titrant": max(truth["titrant_tip_mm"], filled_mm) - truth["bottle_surface_mm"],
        "waste": truth["waste_outlet_mm"] - filled_mm,
    }
    return BackPressure(loss, found_at_mm, full_ml, bottle_area_cm2(full_ml))
