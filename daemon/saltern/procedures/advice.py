"""What a single determination on this bench can reach, what limits it, and what would change that.

The curve's part is the Cramer-Rao bound of the readings that the plan would choose (`endpoint.information`), which the
evaluation reaches (`make bench`); the rest is the uncertainty budget. Nothing is opened or moved.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from saltern.chemistry.electrode import nernst_mv
from saltern.chemistry.endpoint.curve import Conditions, Estimate, Priors
from saltern.chemistry.endpoint.information import Belief, Statistics, alkalinity_sd, best_targets
from saltern.chemistry.endpoint.least_squares import LOSS_Z, equilibrium_carbon, water_of, weighed_priors
from saltern.chemistry.endpoint.reading_model import PIVOT_H, medium_of
from saltern.chemistry.equilibria import constants, total_over_free
from saltern.chemistry.seawater import density_kg_l
from saltern.chemistry.titrant import titrant_density_kg_l
from saltern.chemistry.units import dkh_to_umol_kg
from saltern.config.tables import BenchConfig
from saltern.procedures.budget import alkalinity_budget, combined_u
from saltern.procedures.calibrated import e0_from_calibration
from saltern.procedures.titrate import effort_of

SALINITY, TEMPERATURE_C, DKH = 35.0, 25.0, 7.5
CARBON_SHARE = 0.9
WEAKER, LARGER, STEADIER = 0.5, 1.5, 0.5
ACID_TO_LAST_READING = 1.25  # of the alkalinity: to pH 3.45
FLOAT_SHARE = 0.99


@dataclass(frozen=True)
class Reach:
    """What one bench can reach with one determination, umol/kg (k = 1)."""

    what: str
    u_umol_kg: float
    budget_umol_kg: dict[str, float]
    titrant_ml: float
    fits: bool  # vessel and titrant ceiling allow it

    @property
    def dominant(self) -> str:
        return max(self.budget_umol_kg, key=lambda source: self.budget_umol_kg[source])


def reach(config: BenchConfig, what: str = "this bench") -> Reach:
    """Return what a single determination of the expected water can reach."""
    alkalinity = dkh_to_umol_kg(config.expected_dkh if config.expected_dkh is not None else DKH, SALINITY)
    sample_ml = config.sample.volume_ml + config.vessel.residue_ml
    budget = alkalinity_budget(config, alkalinity, _curve_u(config, alkalinity, sample_ml), sample_ml)
    titrant_ml = ACID_TO_LAST_READING * _acid_ml(config, alkalinity, sample_ml)
    titrant_ml += config.titrant.tip_discard_ml
    switch_ml = config.vessel.volume_at_ml(config.vessel.overfill_switch_mm)
    cell_ml = config.vessel.volume_at_ml(config.vessel.conductivity_tip_mm)
    highest_ml = cell_ml + config.sample.volume_ml + config.sample.air_break_ml + config.limits.titrant_per_run_ml
    fits = titrant_ml < config.limits.titrant_per_run_ml and highest_ml < FLOAT_SHARE * switch_ml
    return Reach(what, combined_u(budget), budget, titrant_ml, fits)


def variants(config: BenchConfig) -> list[Reach]:
    """Return what a weaker titrant, a larger sample and other tubes would reach."""
    titrant = config.titrant.model_copy(
        update={"concentration_mol_per_l": WEAKER * config.titrant.concentration_mol_per_l}
    )
    sample = config.sample.model_copy(update={"volume_ml": LARGER * config.sample.volume_ml})
    pumps = config.pumps
    titrant_pump = pumps.titrant.model_copy(update={"dose_walk_ml": STEADIER * pumps.titrant.dose_walk_ml})
    sample_pump = pumps.sample.model_copy(
        update={"repeatability_percent": STEADIER * pumps.sample.repeatability_percent}
    )
    changed: dict[str, dict[str, Any]] = {
        "a titrant of half the strength": {"titrant": titrant},
        "a sample half as large again": {"sample": sample},
        "a titrant tube that doses twice as evenly": {"pumps": pumps.model_copy(update={"titrant": titrant_pump})},
        "a sample pump that repeats twice as well, or a balance": {
            "pumps": pumps.model_copy(update={"sample": sample_pump})
        },
    }
    if config.titre.u_percent is None:
        changed["a standardisation to 0.2 %"] = {"titre": config.titre.model_copy(update={"u_percent": 0.2})}
    else:
        halved = config.titre.model_copy(update={"u_percent": 0.5 * config.titre.u_percent})
        changed["a titre factor known twice as well"] = {"titre": halved}
    return [reach(config.model_copy(update=update), what) for what, update in changed.items()]


def sentences(here: Reach, others: list[Reach]) -> list[str]:
    """Return the advice in words."""
    largest = here.budget_umol_kg[here.dominant]
    lines = [f"{here.dominant} dominates with {largest:.1f} of {here.u_umol_kg:.1f} umol/kg (k = 1)"]
    for other in others:
        gain = 1.0 - other.u_umol_kg / here.u_umol_kg
        if gain < 0.03:
            lines.append(f"{other.what} would change nothing worth it ({other.u_umol_kg:.1f} umol/kg)")
        else:
            line = f"{other.what}: {other.u_umol_kg:.1f} umol/kg, {100 * gain:.0f} % less"
            if abs(other.titrant_ml - here.titrant_ml) > 0.5:
                line += f", with {other.titrant_ml:.1f} mL of titrant a run"
            lines.append(
                line if other.fits else f"{line}; vessel or limits.titrant_per_run_ml do not allow it as it is"
            )
    return lines


def _acid_ml(config: BenchConfig, alkalinity_umol_kg: float, sample_ml: float) -> float:
    kg = sample_ml * float(density_kg_l(SALINITY, TEMPERATURE_C)) / 1000.0
    return alkalinity_umol_kg * 1e-6 * kg / config.titrant.concentration_mol_per_l * 1000.0


def _curve_u(config: BenchConfig, alkalinity_umol_kg: float, sample_ml: float) -> float:
    """Return the standard uncertainty of the curve alone, umol/kg, with the readings the plan would choose."""
    titrant, probe = config.titrant, config.probes.ph
    density = titrant_density_kg_l(titrant.concentration_mol_per_l, titrant.background, TEMPERATURE_C)
    strength = titrant.concentration_mol_per_l / density
    sample_g = sample_ml * float(density_kg_l(SALINITY, TEMPERATURE_C))
    conditions = Conditions(sample_g, SALINITY, strength)
    priors = Priors(
        e0_from_calibration(probe, TEMPERATURE_C),
        Estimate(probe.slope_percent / 100.0, probe.slope_u_percent / 100.0),
        probe.noise_mv,
    )
    k = constants(SALINITY, TEMPERATURE_C)
    nernst = float(nernst_mv(np.array([TEMPERATURE_C]))[0])
    offset = float(total_over_free(SALINITY, TEMPERATURE_C))
    air = equilibrium_carbon(k)
    alkalinity = alkalinity_umol_kg * 1e-6
    e0 = priors.e0_mv.value if priors.e0_mv is not None else 0.0
    e4 = e0 + priors.slope.value * nernst * float(np.log(PIVOT_H * offset))
    weighed = weighed_priors(
        conditions, priors, alkalinity=alkalinity, e4_mv=e4, nernst=nernst, free_offset=offset, equilibrium_carbon=air
    )
    theta = np.array([alkalinity, e4, priors.slope.value, CARBON_SHARE * alkalinity, LOSS_Z.value])
    belief = Belief(theta, weighed, medium_of(k, water_of(conditions)), nernst, air, conditions.co2)
    effort = effort_of(config, density)
    statistics = Statistics(
        reading_sd_mv=effort.reading_sd_mv,
        dose_variance_per_mol_kg=effort.dose_walk_g**2 * strength / sample_g,
        reading_every_s=effort.reading_every_s,
        acid_mol_per_kg=strength,
    )
    targets, _ = best_targets(belief, statistics, np.empty(0), effort.most_readings - 1)
    return float(alkalinity_sd(belief, statistics, targets[None, :])[0]) * 1e6
