"""From a mass weighed in air to the volume of liquid it was: the gravimetric calibration of pumps and vessels."""

from saltern.chemistry.seawater import density_kg_l

STANDARD_KPA, HALF_HUMID = 101.325, 50.0
WEIGHTS_KG_M3 = 8000.0
"""Density of the weights that a balance is adjusted with, by convention (OIML R 111)."""


def air_density_kg_m3(
    temperature_c: float, pressure_kpa: float = STANDARD_KPA, humidity_percent: float = HALF_HUMID
) -> float:
    """Return the density of air, kg/m3.

    ISO 4787, annex B (coefficients from memory; 1.199 at 20 degC, 101.325 kPa and 50 % is well known).
    """
    hpa = 10.0 * pressure_kpa
    humid = humidity_percent * (-0.00252 * temperature_c + 0.020582)
    return (0.34844 * hpa + humid) / (temperature_c + 273.15)


def z_factor_ml_g(temperature_c: float, pressure_kpa: float = STANDARD_KPA) -> float:
    """Return the volume of water that weighs one gram in air, mL/g: the Z of ISO 8655-6 and ISO 4787.

    At the water's own temperature; the vessel's expansion to 20 degC is not in it.
    """
    return volume_ml(1.0, float(density_kg_l(0.0, temperature_c)), temperature_c, pressure_kpa)


def volume_ml(weighed_g: float, liquid_kg_l: float, temperature_c: float, pressure_kpa: float = STANDARD_KPA) -> float:
    """Return the volume of a liquid weighed in air, mL, its buoyancy taken off.

    Z = (1 - air / weights) / (liquid - air), as in ISO 8655-6.

    Parameters
    ----------
    weighed_g
        What the balance showed, tared, g.
    liquid_kg_l
        Density of the liquid at its temperature, kg/L.
    temperature_c, pressure_kpa
        Of the room.
    """
    air = air_density_kg_m3(temperature_c, pressure_kpa)
    return weighed_g * (1.0 - air / WEIGHTS_KG_M3) / (liquid_kg_l - air / 1000.0)
