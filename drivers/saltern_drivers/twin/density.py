"""How dense the twin's seawater is: by the older equation of state, where the service takes TEOS-10."""

T68_PER_T90 = 1.00024


def seawater_g_ml(salinity: float, temperature_c: float) -> float:
    """Return the density at one atmosphere, g/mL, by EOS-80 (Millero & Poisson 1981; UNESCO Tech. Pap. 36, 1981).

    Parameters
    ----------
    salinity
        Practical, 0 to 42.
    temperature_c
        Temperature (ITS-90), degC, 0 to 40.
    """
    t = T68_PER_T90 * temperature_c
    water = 999.842594 + t * (
        6.793952e-2 + t * (-9.095290e-3 + t * (1.001685e-4 + t * (-1.120083e-6 + t * 6.536332e-9)))
    )
    a = 8.24493e-1 + t * (-4.0899e-3 + t * (7.6438e-5 + t * (-8.2467e-7 + t * 5.3875e-9)))
    b = -5.72466e-3 + t * (1.0227e-4 - t * 1.6546e-6)
    kg_m3: float = water + salinity * (a + b * salinity**0.5 + 4.8314e-4 * salinity)
    return kg_m3 / 1000.0
