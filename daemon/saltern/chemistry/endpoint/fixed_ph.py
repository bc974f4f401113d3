"""Fixed end point: the titrant that brings the sample to a stated pH.

ISO 9963-1:1994 and EPA 310.1 titrate to pH 4.5; Standard Methods 2320 B to 4.9, 4.6 or 4.3 for about 30, 150 and
500 mg/L CaCO3, and 4.5 in routine (those of 2320 B from memory). The pH is that of an electrode calibrated in dilute
buffers; in seawater this is near the free scale, on which it is taken here.

Bias in seawater: -20 (no CO2 lost) to +48 (all lost) umol/kg at 2350 umol/kg and pH 4.5, and not constant: -6 to -57
from 1800 to 3600 umol/kg in a closed vessel. The corrected value subtracts what borate, bisulfate, fluoride and
free acid hold at that pH, with inorganic carbon taken as 0.78 of the alkalinity; it depends on the electrode's
offset by 4 umol/kg per mV.
"""

from dataclasses import replace

import numpy as np

from saltern.chemistry.electrode import nernst_mv
from saltern.chemistry.endpoint.curve import Conditions, Curve, EndPoint, EndPointMethod, Priors
from saltern.chemistry.endpoint.gran import gran_line
from saltern.chemistry.equilibria import constants, total_over_free
from saltern.chemistry.seawater import totals
from saltern.chemistry.titration import alkalinity_without_carbon, bicarbonate_share
from saltern.errors import CurveError

NAME = "fixed-ph"
CORRECTED_NAME = "fixed-ph-corrected"
END_PH = 4.5
RAW_BIAS_U, CORRECTED_BIAS_U = 35.0, 25.0  # umol/kg, standard deviation of the biases above
CARBON_SHARE = 0.78
LEAST_STEP_MV = 0.01


def fixed_ph(curve: Curve, conditions: Conditions, priors: Priors) -> EndPoint:
    """Return the acid used to pH 4.5, as alkalinity, uncorrected."""
    acid, e0, e0_u, per_mv = _acid_to_end(curve, conditions, priors)
    doses = 0.0 if curve.dose_sd_g is None else float(np.sqrt(np.sum(curve.dose_sd_g**2)))
    by_doses = doses * conditions.titrant_mol_per_kg / conditions.sample_g
    u = 1e6 * float(np.hypot(by_doses, per_mv * e0_u))
    z = float(total_over_free(conditions.salinity, float(curve.temperature_c[0]), conditions.medium))
    nernst = float(nernst_mv(curve.temperature_c[:1])[0]) * priors.slope.value
    return EndPoint(
        method=NAME,
        alkalinity_umol_kg=acid * 1e6,
        u_umol_kg=float(np.hypot(u, RAW_BIAS_U)),
        e0_mv=e0 - nernst * float(np.log(z)),
        slope=priors.slope.value,
        points_used=2,
        residual_mv=0.0,
        e0_u_mv=e0_u,
        slope_u=priors.slope.u,
    )


def fixed_ph_corrected(curve: Curve, conditions: Conditions, priors: Priors) -> EndPoint:
    """Return the same with what seawater still holds at pH 4.5 taken off by the model."""
    raw = fixed_ph(curve, conditions, priors)
    acid = raw.alkalinity_umol_kg * 1e-6
    temperature = float(curve.temperature_c.mean())
    k = constants(conditions.salinity, temperature, conditions.medium)
    water = totals(conditions.salinity, conditions.medium, conditions.borate_ratio.value)
    d = 1.0 / (1.0 + acid / conditions.titrant_mol_per_kg)
    h = 10.0**-END_PH
    held = float(alkalinity_without_carbon(h, k, water, d)) / d
    value = (acid + held) / (1.0 - CARBON_SHARE * float(bicarbonate_share(h, k)))
    doses_and_offset = np.sqrt(max(0.0, raw.u_umol_kg**2 - RAW_BIAS_U**2))
    return replace(
        raw,
        method=CORRECTED_NAME,
        alkalinity_umol_kg=value * 1e6,
        u_umol_kg=float(np.hypot(doses_and_offset, CORRECTED_BIAS_U)),
    )


def _acid_to_end(curve: Curve, conditions: Conditions, priors: Priors) -> tuple[float, float, float, float]:
    """Return acid at the end point (mol/kg), the free-scale offset (mV), its uncertainty and d acid / dE."""
    slope = nernst_mv(curve.temperature_c) * priors.slope.value
    if priors.e0_mv is not None:
        z = float(total_over_free(conditions.salinity, float(curve.temperature_c[0]), conditions.medium))
        e0, e0_u = priors.e0_mv.value + float(slope[0]) * float(np.log(z)), priors.e0_mv.u
    else:
        e0, e0_u = gran_line(curve, conditions, priors).e0_free_mv, 1.0
    ph = -(curve.emf_mv - e0) / (slope * np.log(10.0))
    below = np.flatnonzero(ph <= END_PH)
    if len(below) == 0 or below[0] == 0:
        raise CurveError(
            f"the curve never crosses pH {END_PH}: it runs from {ph[0]:.2f} to {ph[-1]:.2f}",
            where=NAME,
            remedy="Titrate across the end point, or check the electrode's calibration",
        )
    i = int(below[0])
    if abs(curve.emf_mv[i] - curve.emf_mv[i - 1]) < LEAST_STEP_MV:
        raise CurveError(
            f"the readings on both sides of pH {END_PH} show the same potential",
            where=NAME,
            remedy="Look for a frozen electrode, or a temperature that jumps",
        )
    acid = curve.titrant_g * conditions.titrant_mol_per_kg / conditions.sample_g
    share = (ph[i - 1] - END_PH) / (ph[i - 1] - ph[i])
    per_mv = abs((acid[i] - acid[i - 1]) / (curve.emf_mv[i] - curve.emf_mv[i - 1]))
    return float(acid[i - 1] + share * (acid[i] - acid[i - 1])), e0, e0_u, float(per_mv)


_TARGETS_PH_FREE = (6.0, 5.4, 5.0, 4.8, 4.65, 4.55, 4.45, 4.35, 4.2, 3.9, 3.6, 3.4, 3.2, 3.1)
"""Close about the end point; those below pH 4 are for the electrode's offset, where no calibration gives it."""

METHOD = EndPointMethod(fixed_ph, targets_ph_free=_TARGETS_PH_FREE)
CORRECTED = EndPointMethod(fixed_ph_corrected, targets_ph_free=_TARGETS_PH_FREE)
