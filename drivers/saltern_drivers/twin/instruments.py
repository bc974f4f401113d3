"""How wrong a bench may be: two classes of instruments, and one bench drawn from a class.

The numbers are assumptions, not measurements of hardware: `hobby` is what a builder with plain parts may expect,
`good` what care and better parts may reach. Standard deviations throughout.
"""

from dataclasses import dataclass, fields

import numpy as np


@dataclass(frozen=True, slots=True)
class Errors:
    """An error class; relative errors are fractions."""

    noise_mv: float
    resolution_mv: float
    lag_s: float
    drift_mv_per_h: float
    slope: float
    e0_mv: float
    junction_mv: float  # shift from buffer to seawater that calibration cannot see
    dose_step: float  # of one 0.05 mL of titrant; doses scatter independently
    titrant_gain: float
    titrant_strength: float
    sample_gain: float
    sample_repeatability: float
    conductivity: float
    conductivity_noise: float
    temperature_k: float
    residue_ml: float
    balance: float = 0.0005  # of the cell's gain, after a reference mass was laid on it
    balance_noise_g: float = 0.01
    balance_drift_g_per_h: float = 0.05
    balance_creep: float = 0.0005
    balance_tube_g: float = 0.03
    balance_vibration_g: float = 0.05
    tip_height: float = 0.01  # of a draw-down tip, set with a rule
    tip_ml: float = 0.1  # of what a draw-down leaves, from time to time


CLASSES = {
    "good": Errors(0.1, 0.059, 3.0, 0.01, 0.004, 1.5, 2.0, 0.005, 0.003, 0.002, 0.003, 0.001, 0.005, 2e-4, 0.1, 0.05),
    "hobby": Errors(0.3, 0.59, 6.0, 0.05, 0.01, 5.0, 3.0, 0.02, 0.01, 0.005, 0.01, 0.005, 0.01, 1e-3, 0.5, 0.15),
}
OUT_OF_THE_BOX = {"titrant_gain": 0.02, "titrant_strength": 0.02, "sample_gain": 0.02, "slope": 0.02, "e0_mv": 15.0}
"""What replaces the class's own where the bench was never calibrated."""


@dataclass(slots=True)
class Truths:
    """One bench: how far each thing is from what its bench file believes."""

    electrode_offset_mv: float
    electrode_slope: float  # factor
    drift_mv_per_s: float
    titrant_gain: float  # factor on volume
    titrant_strength: float  # factor on concentration
    sample_gain: float
    waste_gain: float
    conductivity: float
    temperature_offset_k: float
    errors: Errors


def with_changes(errors: Errors, changes: dict[str, float]) -> Errors:
    """Return the class with single errors replaced; the keys are those of `Errors`."""
    known = {f.name: getattr(errors, f.name) for f in fields(errors)}
    return Errors(**{**known, **changes})


def draw(
    errors: Errors,
    *,
    calibrated: bool,
    titre_u: float,
    random: np.random.Generator,
    by_pump: bool = True,
    sample: float = 1.0,
) -> Truths:
    """Draw a bench.

    Parameters
    ----------
    errors
        The class.
    calibrated
        Whether a standardisation has made strength x titrant gain / sample gain right but for its own
        uncertainty `titre_u` (a fraction); each of the three may still be off.
    titre_u
        That uncertainty.
    random
        What draws.
    by_pump
        Whether the sample pump meters the sample: where a draw-down or a balance does, its gain does not matter.
    sample
        True sample over the stated one, but for the pump's gain.
    """
    if not calibrated:
        errors = with_changes(errors, OUT_OF_THE_BOX)
    titrant_gain = 1.0 + random.normal(0.0, errors.titrant_gain)
    sample_gain = 1.0 + random.normal(0.0, errors.sample_gain)
    strength = 1.0 + random.normal(0.0, errors.titrant_strength)
    if calibrated:
        strength = (sample_gain if by_pump else 1.0) * sample / titrant_gain * (1.0 + random.normal(0.0, titre_u))
    return Truths(
        electrode_offset_mv=random.normal(0.0, float(np.hypot(errors.e0_mv, errors.junction_mv))),
        electrode_slope=1.0 + random.normal(0.0, errors.slope),
        drift_mv_per_s=random.normal(0.0, errors.drift_mv_per_h) / 3600.0,
        titrant_gain=titrant_gain,
        titrant_strength=strength,
        sample_gain=sample_gain,
        waste_gain=1.0 + random.normal(0.0, 0.03),
        conductivity=1.0 + random.normal(0.0, errors.conductivity),
        temperature_offset_k=random.normal(0.0, errors.temperature_k),
        errors=errors,
    )
