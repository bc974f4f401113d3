"""SOP 3b: nonlinear least squares on the acid end of a curve from which the CO2 was purged.

Dickson, Sabine & Christian (eds) 2007, Guide to Best Practices for Ocean CO2 Measurements, PICES Special
Publication 3, SOP 3b: over total pH 3.0 to 3.5, minimise over f and A_T the squares of

    A_T + S_T / (1 + K_S Z / (f H')) + F_T / (1 + K_F Z / (f H')) + (m0 + m)/m0 f H'/Z - m c / m0,

with H' from Gran's offset, Z = 1 + S_T / K_S, and K_S, K_F on the free scale (K_F: Dickson & Riley 1979). The
offset follows from f.

Bias in seawater: none where CO2 is purged, as the procedure demands. In a closed vessel it reads 6 to 20 umol/kg
low, because bicarbonate that is left at pH 3.5 is not in its balance; in an open stirred one between the two.
"""

import numpy as np

from saltern.chemistry.electrode import nernst_mv
from saltern.chemistry.endpoint.curve import Co2, Conditions, Curve, EndPoint, EndPointMethod, Priors
from saltern.chemistry.endpoint.gran import gran_line
from saltern.chemistry.equilibria import bisulfate, hydrogen_fluoride
from saltern.chemistry.seawater import totals
from saltern.errors import CurveError

NAME = "sop3b"
WINDOW_PH_TOTAL = (2.95, 3.55)  # 3.0 to 3.5, and what rounds to it
CARBONATE_U_UMOL_KG = {Co2.PURGED: 0.5, Co2.OPEN: 5.0, Co2.CLOSED: 8.0}
"""Standard deviation of the bias by carbonate left: a uniform one of 0 to 17 open, up to 20 closed."""


def sop3b(curve: Curve, conditions: Conditions, priors: Priors) -> EndPoint:
    """Find the alkalinity by SOP 3b."""
    line = gran_line(curve, conditions, priors)
    slope = nernst_mv(curve.temperature_c) * priors.slope.value
    temperature = float(curve.temperature_c.mean())
    m0, mass = conditions.sample_g, conditions.sample_g + curve.titrant_g
    added = curve.titrant_g / m0 * conditions.titrant_mol_per_kg
    water = totals(conditions.salinity, conditions.medium)
    ks = float(bisulfate(conditions.salinity, temperature))
    kf = float(hydrogen_fluoride(conditions.salinity, temperature))
    z = 1.0 + float(water.sulfate) / ks
    alkalinity, e0 = line.alkalinity, line.e0_free_mv - float(slope[0]) * float(np.log(z))
    for _ in range(20):
        h = np.exp((curve.emf_mv - e0) / slope)  # total scale
        ph = -np.log10(h)
        used = (ph > WINDOW_PH_TOTAL[0]) & (ph < WINDOW_PH_TOTAL[1])
        if used.sum() < 3:
            raise CurveError(
                f"only {int(used.sum())} readings lie between pH 3.0 and 3.5, total scale",
                where=NAME,
                remedy="Titrate to pH 3.0, with at least three readings below 3.5, better ten",
            )
        x, scale = h[used], (mass / m0)[used]
        residual = (
            alkalinity
            + float(water.sulfate) / (1.0 + ks * z / x)
            + float(water.fluoride) / (1.0 + kf * z / x)
            + scale * x / z
            - added[used]
        )
        d_lnf = (
            float(water.sulfate) * ks * z * x / (x + ks * z) ** 2
            + float(water.fluoride) * kf * z * x / (x + kf * z) ** 2
            + scale * x / z
        )
        design = np.column_stack([np.ones_like(x), d_lnf])
        step, *_ = np.linalg.lstsq(design, -residual, rcond=None)
        alkalinity += float(step[0])
        e0 -= float(slope[0]) * float(step[1])
        if abs(step[0]) < 1e-13:
            break
    n = int(used.sum())
    scatter = float(np.sqrt(np.sum(residual**2) / max(1, n - 2)))
    noise = (priors.noise_mv or 0.0) * d_lnf / slope[used]
    inverse = np.linalg.inv(design.T @ design)
    gain = inverse @ design.T
    by_noise = float(np.sqrt(np.sum((gain[0] * np.maximum(np.abs(noise), scatter)) ** 2)))
    doses = 0.0 if curve.dose_sd_g is None else float(np.sqrt(np.sum(curve.dose_sd_g**2)))
    by_doses = doses * conditions.titrant_mol_per_kg / m0
    # a slope that is off turns the offset, and through it the foot of the curve
    by_slope = float(abs(gain[0] @ (d_lnf * (curve.emf_mv[used] - e0) / slope[used]))) * priors.slope.u
    u = 1e6 * float(np.sqrt(by_noise**2 + by_doses**2 + by_slope**2))
    return EndPoint(
        method=NAME,
        alkalinity_umol_kg=alkalinity * 1e6,
        u_umol_kg=float(np.hypot(u, CARBONATE_U_UMOL_KG[conditions.co2])),
        e0_mv=e0,
        slope=priors.slope.value,
        points_used=n,
        residual_mv=float(np.sqrt(np.mean((residual / d_lnf * slope[used]) ** 2))),
        e0_u_mv=float(np.sqrt(inverse[1, 1])) * max(scatter, 1e-9) * float(slope[0]),
        slope_u=priors.slope.u,
    )


METHOD = EndPointMethod(
    sop3b, targets_ph_free=(6.0, 4.5, 3.70, 3.60, 3.52, 3.45, 3.38, 3.32, 3.26, 3.20, 3.15, 3.10, 3.05)
)
"""Most readings where the procedure has them, down to pH 3.05; two above, on the way there."""
