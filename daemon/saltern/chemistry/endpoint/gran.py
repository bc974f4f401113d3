"""Gran's method: beyond the end point free acid grows along a straight line, whose foot is the end point.

F1 = (m0 + m) exp(E F/RT) against m, a straight line over free pH 3.0 to 3.5; its intercept with zero is m_e, and
A_T = m_e c / m0 (Gran 1952, Analyst 77, 661; as the first step of SOP 3b in Dickson, Sabine & Christian 2007).

Bias in seawater: +1 to +8 umol/kg, more the weaker the titrant, because bisulfate and hydrogen fluoride bend the
line; carbonate that is left takes back some of it. The slope is taken as given.
"""

from dataclasses import dataclass

import numpy as np

from saltern.chemistry.electrode import nernst_mv
from saltern.chemistry.endpoint.curve import Conditions, Curve, EndPoint, EndPointMethod, FloatArray, Priors
from saltern.chemistry.equilibria import total_over_free
from saltern.errors import CurveError

NAME = "gran"
WINDOW_PH_FREE = (2.95, 3.65)
BIAS_U_UMOL_KG = 4.0
"""Standard deviation of what the method leaves out in seawater, over the titrants in use (see above)."""


@dataclass(frozen=True)
class GranLine:
    """The line through F1, and what it says: alkalinity in mol/kg, potential at free [H] = 1 mol/kg in mV."""

    alkalinity: float
    u_alkalinity: float
    e0_free_mv: float
    used: FloatArray  # shape (n,), bool
    residual_mv: float


def gran(curve: Curve, conditions: Conditions, priors: Priors) -> EndPoint:
    """Find the end point by Gran's straight line."""
    line = gran_line(curve, conditions, priors)
    z = total_over_free(conditions.salinity, float(curve.temperature_c[0]), conditions.medium)
    nernst = float(nernst_mv(curve.temperature_c[:1])[0]) * priors.slope.value
    return EndPoint(
        method=NAME,
        alkalinity_umol_kg=line.alkalinity * 1e6,
        u_umol_kg=float(np.hypot(line.u_alkalinity * 1e6, BIAS_U_UMOL_KG)),
        e0_mv=line.e0_free_mv - nernst * float(np.log(z)),
        slope=priors.slope.value,
        points_used=int(line.used.sum()),
        residual_mv=line.residual_mv,
        e0_u_mv=max(line.residual_mv, 0.1),
        slope_u=priors.slope.u,
    )


def gran_line(curve: Curve, conditions: Conditions, priors: Priors) -> GranLine:
    """Fit the line; the window is found by repeating, since it needs the offset that the line gives.

    Raises
    ------
    CurveError
        Fewer than three readings lie in the window.
    """
    slope = nernst_mv(curve.temperature_c) * priors.slope.value
    mass = conditions.sample_g + curve.titrant_g
    f1 = mass * np.exp((curve.emf_mv - curve.emf_mv.max()) / slope)
    acid = curve.titrant_g * conditions.titrant_mol_per_kg
    used = f1 > 0.25 * f1.max()
    if used.sum() < 3:
        used = np.arange(len(f1)) >= len(f1) - 3
    for _ in range(10):
        _need(used, curve.titrant_g)
        gradient, intercept = np.polyfit(curve.titrant_g[used], f1[used], 1)
        if gradient <= 0.0:
            raise CurveError("the signal does not rise with acid", where=NAME, remedy="Check the columns")
        end_g = -intercept / gradient
        alkalinity = end_g * conditions.titrant_mol_per_kg / conditions.sample_g
        free = np.maximum(acid - alkalinity * conditions.sample_g, 1e-12) / mass
        # the line holds free acid and bisulfate alike: their ratio is constant, so it is E0 that takes it up
        e0 = float(np.mean(curve.emf_mv[used] - slope[used] * np.log(free[used])))
        z = total_over_free(conditions.salinity, float(curve.temperature_c[0]), conditions.medium)
        ph_free = -np.log10(np.exp((curve.emf_mv - e0) / slope) / z)
        again = (ph_free > WINDOW_PH_FREE[0]) & (ph_free < WINDOW_PH_FREE[1]) & (curve.titrant_g > end_g)
        if np.array_equal(again, used):
            break
        if again.sum() < 3:
            break
        used = again
    _need(used, curve.titrant_g)
    n = int(used.sum())
    fitted = gradient * curve.titrant_g[used] + intercept
    scatter = float(np.sqrt(np.sum((f1[used] - fitted) ** 2) / max(1, n - 2)))
    centre = curve.titrant_g[used].mean()
    spread = float(np.sum((curve.titrant_g[used] - centre) ** 2))
    u_end = scatter / gradient * np.sqrt(1.0 / n + (end_g - centre) ** 2 / spread)
    doses = 0.0 if curve.dose_sd_g is None else float(np.sqrt(np.sum(curve.dose_sd_g**2)))
    noise = priors.noise_mv or 0.0
    u_noise = noise / float(slope.mean()) * (centre - end_g) * np.sqrt(1.0 / n + (end_g - centre) ** 2 / spread)
    u = float(np.sqrt(u_end**2 + doses**2 + u_noise**2)) * conditions.titrant_mol_per_kg / conditions.sample_g
    residual = float(np.sqrt(np.mean((slope[used] * (f1[used] / fitted - 1.0)) ** 2)))
    return GranLine(float(alkalinity), u, e0 + float(slope[0]) * float(np.log(z)), used, residual)


def _need(used: FloatArray, titrant_g: FloatArray) -> None:
    count = len(np.unique(np.round(titrant_g[used], 6)))
    if count < 3:
        raise CurveError(
            f"only {count} different readings lie between pH 3.0 and 3.5, where the line is straight",
            where=NAME,
            remedy="Titrate to pH 3.0, with at least three readings below 3.5",
        )


METHOD = EndPointMethod(
    gran, targets_ph_free=(6.0, 4.5, 3.70, 3.60, 3.52, 3.45, 3.38, 3.32, 3.26, 3.20, 3.15, 3.10, 3.05)
)
"""Most readings where the line is straight, down to pH 3.05; two above, on the way there."""
