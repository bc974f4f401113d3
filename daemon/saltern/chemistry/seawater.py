"""Seawater as a liquid: what is in it, how heavy it is, what its conductivity says."""

from dataclasses import dataclass

import gsw
import numpy as np

from saltern.chemistry.quantities import Medium, Number


@dataclass(frozen=True, slots=True)
class Totals:
    """Total concentrations, mol/kg of solution; floats or arrays."""

    borate: Number
    sulfate: Number
    fluoride: Number
    phosphate: Number
    silicate: Number


def totals(
    salinity: Number,
    medium: Medium = Medium.SEAWATER,
    borate_ratio: float = 1.0,
    phosphate_umol_kg: float = 0.0,
    silicate_umol_kg: float = 0.0,
) -> Totals:
    """Return what a water of this practical salinity contains.

    Parameters
    ----------
    salinity
        Practical salinity.
    medium
        NaCl contains none of the natural salts.
    borate_ratio
        Total borate over that of natural seawater; salt mixes differ.
    phosphate_umol_kg, silicate_umol_kg
        Nutrients, umol/kg.

    Notes
    -----
    Borate: Uppstrom 1974, Deep-Sea Res. 21, 161. Sulfate: Morris & Riley 1966, Deep-Sea Res. 13, 699.
    Fluoride: Riley 1965, Deep-Sea Res. 12, 219. Chlorinity is S / 1.80655.
    """
    chlorinity = np.asarray(salinity, dtype=float) / 1.80655
    natural = 0.0 if medium is Medium.NACL else 1.0
    return Totals(
        borate=_plain(natural * borate_ratio * 0.000232 / 10.811 * chlorinity),
        sulfate=_plain(natural * 0.1400 / 96.062 * chlorinity),
        fluoride=_plain(natural * 0.000067 / 18.998 * chlorinity),
        phosphate=phosphate_umol_kg * 1e-6,
        silicate=silicate_umol_kg * 1e-6,
    )


def density_kg_l(salinity: float, temperature_c: float) -> float:
    """Return the density at one atmosphere, kg/L, by TEOS-10 (`gsw.rho_t_exact`)."""
    absolute = gsw.SR_from_SP(salinity)
    return float(gsw.rho_t_exact(absolute, temperature_c, 0.0)) / 1000.0


def practical_salinity(conductivity_ms_cm: float, temperature_c: float) -> float:
    """Return the practical salinity (PSS-78) of a conductivity *at* its temperature, mS/cm and degC."""
    return float(gsw.SP_from_C(conductivity_ms_cm, temperature_c, 0.0))


def conductivity_ms_cm(salinity: float, temperature_c: float) -> float:
    """Return the conductivity, mS/cm, of seawater at its own temperature (PSS-78)."""
    return float(gsw.C_from_SP(salinity, temperature_c, 0.0))


def _plain(value: Number) -> Number:
    array = np.asarray(value)
    return float(array) if array.ndim == 0 else array
