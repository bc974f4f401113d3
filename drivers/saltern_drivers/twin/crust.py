"""Salt on tips: at the ends of lines that hang in air, water dries and leaves what it held as a crust.

A crust wicks (assumed), so that an end stays wet and dries at a steady rate: 4 D r c of a disk as wide as the bore
(Brown & Escombe 1900, Phil. Trans. R. Soc. B 193, 223; from memory), by how dry the air is at it. Water alone goes.
What it held comes back: with the water that runs past it (the sample's end), or all at once when the vessel's liquid
covers it or titrant runs over it (the titrant's). Where the water was, the line has a gap that its pump fills first.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import exp

from saltern_drivers.twin.liquid import Liquid

VAPOUR_CM2_S = 0.25
"""Diffusion coefficient of water vapour in air at 25 degC (CRC Handbook; from memory)."""
VAPOUR_G_ML = 2.3e-5
"""Of air that is saturated at 25 degC (CRC Handbook, from 3.17 kPa; from memory)."""


def drying_ml_s(bore_mm: float, dryness_percent: float) -> float:
    """Return how fast an end dries; a gram of water is taken as a millilitre."""
    return 4.0 * VAPOUR_CM2_S * bore_mm / 20.0 * VAPOUR_G_ML * dryness_percent / 100.0


@dataclass
class SampleEnd:
    """The sample line's end.

    Parameters
    ----------
    ml_s
        How fast it dries.
    dissolves_in_ml
        Water that takes a crust down by a factor of e.
    """

    ml_s: float
    dissolves_in_ml: float
    wet_at_s: float = 0.0
    crust: Liquid = field(default_factory=Liquid)  # of no mass

    def dried_ml(self, at_s: float) -> float:
        """Return what has dried since water last ran, until water runs now."""
        stood_s, self.wet_at_s = at_s - self.wet_at_s, at_s
        return self.ml_s * stood_s

    def keep(self, water: Liquid) -> None:
        """Let water dry, and keep what it held."""
        self.crust.pour_in(water)
        self.crust.mass_g = 0.0

    def washed(self, volume_ml: float, at_s: float) -> Liquid:
        """Return what a volume of water takes off the crust."""
        self.wet_at_s = at_s
        share, c = 1.0 - exp(-volume_ml / self.dissolves_in_ml), self.crust
        off = Liquid(0.0, c.natural * share, c.ionic * share, c.alkalinity * share, c.carbon * share, c.own * share)
        c.lose(off)
        return off


@dataclass
class TitrantEnd:
    """The titrant line's end, which dries where the vessel's liquid does not cover it."""

    ml_s: float
    dry_from_s: float | None = None

    def dried_ml(self, at_s: float, *, covered: bool) -> float:
        """Return what has dried on it, where it is wetted now; nothing while it goes on drying.

        Parameters
        ----------
        at_s
            Now.
        covered
            Whether liquid stands over it from now on.
        """
        hung_s = 0.0 if self.dry_from_s is None else at_s - self.dry_from_s
        self.dry_from_s = None if covered else at_s
        return self.ml_s * hung_s


def ends_of(truth: Mapping[str, float]) -> tuple[SampleEnd | None, TitrantEnd | None]:
    """Return the ends of sample and titrant line; None for each where nothing dries."""
    dryness = truth["tip_dryness_percent"]
    if not dryness:
        return None, None
    return (
        SampleEnd(drying_ml_s(truth["sample_bore_mm"], dryness), truth["crust_dissolves_in_ml"]),
        TitrantEnd(drying_ml_s(truth["titrant_bore_mm"], dryness)),
    )
