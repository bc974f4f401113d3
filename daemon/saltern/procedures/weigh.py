"""Weighing the vessel, where a load cell stands under it: what a fill brought is then known, not assumed."""

from dataclasses import dataclass
from statistics import fmean

from saltern.bench.bench import Bench
from saltern.chemistry.seawater import density_kg_l
from saltern.chemistry.volumetric import volume_ml
from saltern.procedures.notebook import Notebook
from saltern.procedures.vessel import NotEmptyError

READINGS = 8
STILL_S = 4.0
"""So long after a pump or the stirrer the cell and the tubes are left to come to rest."""

EMPTY_WITHIN_G = 1.5
"""An emptied vessel weighs the same from time to time, but for residue, drift and the tubes' pull."""

STEADY_HALVES_G = 0.5


@dataclass(frozen=True)
class Weighed:
    """Masses of one determination, g in vacuo."""

    empty_g: float
    filled_g: float  # what the fill brought


def has_balance(bench: Bench) -> bool:
    return "balance" in bench.devices.probes


def weigh(bench: Bench, notebook: Notebook) -> float:
    """Return what stands on the cell, g in air, stirrer off; only differences mean anything."""
    bench.stir(0.0)
    bench.wait(STILL_S)
    return fmean(notebook.balance_g() for _ in range(READINGS))


def in_vacuo_g(shown_g: float, salinity: float, temperature_c: float) -> float:
    """Return the mass of seawater that shows so much in air."""
    density = float(density_kg_l(salinity, temperature_c))
    return volume_ml(shown_g, density, temperature_c) * density


def demand_empty(bench: Bench, empty_g: float) -> None:
    """Refuse to fill a vessel that is heavier than it was when last emptied, whatever the conductivity cell says.

    Raises
    ------
    NotEmptyError
        Something was left in it.
    """
    before_g = bench.empty_g
    bench.empty_g = empty_g
    if before_g is None or empty_g - before_g <= EMPTY_WITHIN_G:
        return
    bench.empty_g = before_g
    raise NotEmptyError(
        f"the emptied vessel weighs {empty_g - before_g:.1f} g more than it did",
        where=f"{bench.config.name}, weigh",
        remedy="Check the waste line and the vessel; if something was laid on it or moved, run `saltern rinse`: it "
        "learns the weight anew",
    )
