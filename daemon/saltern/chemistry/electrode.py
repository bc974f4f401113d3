"""The glass electrode: its Nernst slope, and the buffers that calibrate it.

Signals here rise with acid: emf = e7 + slope * (7 - pH).
"""

from dataclasses import dataclass
from math import log

import numpy as np

from saltern.chemistry.quantities import Estimate, FloatArray

GAS_CONSTANT = 8.314462618  # J/(mol K), CODATA 2018, exact
FARADAY = 96485.33212  # C/mol, CODATA 2018, exact

BUFFER_TEMPERATURES_C = (0.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 37.0, 40.0, 50.0)
BUFFERS: dict[str, tuple[float, ...]] = {
    "phthalate 0.05 mol/kg": (4.000, 3.998, 3.997, 3.998, 4.001, 4.005, 4.011, 4.018, 4.022, 4.027, 4.050),
    "phosphate 0.025 mol/kg": (6.984, 6.951, 6.923, 6.900, 6.881, 6.865, 6.853, 6.844, 6.841, 6.838, 6.833),
    "phosphate 7.413": (7.534, 7.500, 7.472, 7.448, 7.429, 7.413, 7.400, 7.389, 7.386, 7.380, 7.367),
    "borax 0.01 mol/kg": (9.464, 9.395, 9.332, 9.276, 9.225, 9.180, 9.139, 9.102, 9.088, 9.068, 9.010),
    "carbonate 0.025 mol/kg": (10.317, 10.245, 10.179, 10.118, 10.062, 10.012, 9.966, 9.925, 9.910, 9.889, 9.828),
}
"""pH by temperature: NBS/NIST primary standards (Bates 1962, J. Res. NBS 66A, 179; Staples & Bates 1969;
Buck et al. 2002, Pure Appl. Chem. 74, 2169)."""


def nernst_mv(temperature_c: FloatArray) -> FloatArray:
    """Return RT/F, mV."""
    return 1000.0 * GAS_CONSTANT * (np.asarray(temperature_c) + 273.15) / FARADAY


def nernst_slope_mv(temperature_c: float) -> float:
    """Return RT ln10 / F, mV per unit of pH."""
    return 1000.0 * GAS_CONSTANT * (temperature_c + 273.15) / FARADAY * log(10.0)


def buffer_ph(buffer: str, temperature_c: float) -> float:
    """Return a buffer's pH (NBS scale) at a temperature between 0 and 50 degC, interpolated in the table.

    Raises
    ------
    KeyError
        No such buffer.
    ValueError
        The temperature is outside the table.
    """
    if not BUFFER_TEMPERATURES_C[0] <= temperature_c <= BUFFER_TEMPERATURES_C[-1]:
        msg = f"{temperature_c} degC is outside the buffer tables, 0 to 50 degC"
        raise ValueError(msg)
    return float(np.interp(temperature_c, BUFFER_TEMPERATURES_C, BUFFERS[buffer]))


def tris_ph_total(salinity: float, temperature_c: float) -> float:
    """Return the pH, total scale, of equimolal tris buffer in artificial seawater.

    DelValls & Dickson 1998, Deep-Sea Res. I 45, 1541, as in Dickson, Sabine & Christian 2007, SOP 6a.
    """
    t = temperature_c + 273.15
    s = salinity
    return (
        (11911.08 - 18.2499 * s - 0.039336 * s * s) / t
        - 366.27059
        + 0.53993607 * s
        + 0.00016329 * s * s
        + (64.52243 - 0.084041 * s) * log(t)
        - 0.11149858 * t
    )


@dataclass(frozen=True)
class ElectrodeCalibration:
    """What buffers say of an electrode."""

    e7_mv: Estimate
    slope_percent: Estimate
    residual_mv: float


def calibrate(emf_mv: FloatArray, ph: FloatArray, temperature_c: float, noise_mv: float) -> ElectrodeCalibration:
    """Fit offset and slope to one, two or three buffers.

    Parameters
    ----------
    emf_mv, ph
        Signal and pH of each buffer, shape (n,), n from 1 to 3; with one, the slope is taken as ideal with 3 %.
    temperature_c
        Temperature of all buffers.
    noise_mv
        Standard deviation of each signal, from its plateau.
    """
    ideal = nernst_slope_mv(temperature_c)
    if len(ph) == 1:
        offset = float(emf_mv[0] - ideal * (7.0 - ph[0]))
        u = float(np.hypot(noise_mv, 0.03 * ideal * (7.0 - ph[0])))
        return ElectrodeCalibration(Estimate(offset, u), Estimate(100.0, 3.0), 0.0)
    design = np.column_stack([np.ones(len(ph)), 7.0 - np.asarray(ph)])
    answer, *_ = np.linalg.lstsq(design, np.asarray(emf_mv), rcond=None)
    freedom = max(1, len(ph) - design.shape[1])  # two buffers leave none, and no residual either
    residual = float(np.sqrt(np.sum((design @ answer - emf_mv) ** 2) / freedom))
    covariance = np.linalg.inv(design.T @ design) * max(noise_mv, residual) ** 2
    return ElectrodeCalibration(
        Estimate(float(answer[0]), float(np.sqrt(covariance[0, 0]))),
        Estimate(float(100.0 * answer[1] / ideal), float(100.0 * np.sqrt(covariance[1, 1]) / ideal)),
        residual,
    )
