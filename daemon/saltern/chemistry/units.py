"""Units of alkalinity. Seawater is umol/kg; keepers speak per litre, so density enters, and is easily forgotten.

Per-litre units are at the sample's salinity and `temperature_c`, 20 degC unless said otherwise.
1 dKH (German degree of carbonate hardness) is 10 mg/L of CaO; M(CaO) = 56.0774, M(CaCO3) = 100.0869 g/mol (IUPAC).

The library for the density takes a small computer a second to load; so it is loaded where a density is asked for.
"""

MEQ_L_PER_DKH = 10.0 / (56.0774 / 2.0)
MG_CACO3_PER_MEQ = 100.0869 / 2.0
REFERENCE_C = 20.0


def umol_kg_to_meq_l(umol_kg: float, salinity: float, temperature_c: float = REFERENCE_C) -> float:
    """Return meq/L, which for alkalinity is mmol/L."""
    from saltern.chemistry.seawater import density_kg_l

    return umol_kg * density_kg_l(salinity, temperature_c) / 1000.0


def meq_l_to_umol_kg(meq_l: float, salinity: float, temperature_c: float = REFERENCE_C) -> float:
    from saltern.chemistry.seawater import density_kg_l

    return meq_l * 1000.0 / density_kg_l(salinity, temperature_c)


def umol_kg_to_dkh(umol_kg: float, salinity: float, temperature_c: float = REFERENCE_C) -> float:
    """Return German degrees."""
    return umol_kg_to_meq_l(umol_kg, salinity, temperature_c) / MEQ_L_PER_DKH


def dkh_to_umol_kg(dkh: float, salinity: float, temperature_c: float = REFERENCE_C) -> float:
    return meq_l_to_umol_kg(dkh * MEQ_L_PER_DKH, salinity, temperature_c)


def umol_kg_to_mg_l_caco3(umol_kg: float, salinity: float, temperature_c: float = REFERENCE_C) -> float:
    return umol_kg_to_meq_l(umol_kg, salinity, temperature_c) * MG_CACO3_PER_MEQ
