"""Units in which a keeper reads and writes alkalinity; the service counts in umol/kg and dKH."""

from enum import StrEnum

from saltern.chemistry.units import (
    MEQ_L_PER_DKH,
    MG_CACO3_PER_MEQ,
    dkh_to_umol_kg,
    umol_kg_to_dkh,
)

USUAL_SALINITY = 35.0


class AlkalinityUnit(StrEnum):
    """The first three are per litre, and so in a fixed ratio to each other; umol/kg needs the salinity."""

    DKH = "dKH"
    MEQ_L = "meq/L"
    MG_L_CACO3 = "mg/L CaCO3"
    UMOL_KG = "umol/kg"


DIGITS = {
    AlkalinityUnit.DKH: 2,
    AlkalinityUnit.MEQ_L: 3,
    AlkalinityUnit.MG_L_CACO3: 1,
    AlkalinityUnit.UMOL_KG: 0,
}
"""Decimals at which the last one is some hundredths of a German degree."""

COVERAGE = 2.0
"""Spreads are written with k = 2 (GUM, JCGM 100:2008, 6.2)."""


def from_dkh(dkh: float, unit: AlkalinityUnit, salinity: float | None = None) -> float:
    """Return dKH in another unit; a salinity that is not known is 35."""
    if unit is AlkalinityUnit.DKH:
        return dkh
    if unit is AlkalinityUnit.UMOL_KG:
        return dkh_to_umol_kg(dkh, USUAL_SALINITY if salinity is None else salinity)
    meq_l = dkh * MEQ_L_PER_DKH
    return meq_l if unit is AlkalinityUnit.MEQ_L else meq_l * MG_CACO3_PER_MEQ


def to_dkh(value: float, unit: AlkalinityUnit, salinity: float | None = None) -> float:
    """Return dKH of a value in another unit."""
    if unit is AlkalinityUnit.DKH:
        return value
    if unit is AlkalinityUnit.UMOL_KG:
        return umol_kg_to_dkh(value, USUAL_SALINITY if salinity is None else salinity)
    meq_l = value if unit is AlkalinityUnit.MEQ_L else value / MG_CACO3_PER_MEQ
    return meq_l / MEQ_L_PER_DKH


def written(
    value: float, u: float | None, unit: AlkalinityUnit, *, signed: bool = False, more_digits: int = 0
) -> tuple[str, str]:
    """Return for example ("7.93", "0.10"): a value that is in this unit, and its spread, k = 2.

    A spread that is not known is "?"; one that is known has a digit more where it would be written as zero.
    """
    sign, digits = "+" if signed else "", DIGITS[unit] + more_digits
    spread = None if u is None else COVERAGE * u
    if spread is not None and 0.0 < spread < 10.0**-digits:
        digits += 1
    return f"{value:{sign}.{digits}f}", "?" if spread is None else f"{spread:.{digits}f}"


def said(dkh: float, unit: AlkalinityUnit, salinity: float | None = None, *, signed: bool = False) -> str:
    """Return for example "7.93 dKH", "+0.036 meq/L"."""
    sign = "+" if signed else ""
    return f"{from_dkh(dkh, unit, salinity):{sign}.{DIGITS[unit]}f} {unit.value}"


def said_with_u(
    dkh: float,
    u_dkh: float,
    unit: AlkalinityUnit,
    salinity: float | None = None,
    *,
    signed: bool = False,
    more_digits: int = 0,
) -> str:
    """Return for example "7.93 ± 0.10 dKH", k = 2."""
    here, u = (from_dkh(each, unit, salinity) for each in (dkh, u_dkh))
    value, spread = written(here, u, unit, signed=signed, more_digits=more_digits)
    return f"{value} ± {spread} {unit.value}"
