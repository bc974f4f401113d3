"""The uncertainty budget of an alkalinity: what each source contributes (GUM, JCGM 100:2008, 5.1.2)."""

from collections.abc import Mapping
from datetime import date
from math import sqrt

from saltern.config.tables import BenchConfig

DENSITY_PER_SALINITY, DENSITY_PER_K = 7.4e-4, 3.0e-4
"""Relative change of the sample's mass with salinity and temperature at S 35 and 25 degC (TEOS-10); what they do to the
curve itself is the evaluation's."""

TIP_HEIGHT_PERCENT = 1.0
"""A tip's height is set with a rule: half a millimetre in fifty (assumed); a reference takes it away."""


def alkalinity_budget(
    config: BenchConfig,
    alkalinity_umol_kg: float,
    fit_u_umol_kg: float,
    sample_ml: float,
    today: date | None = None,
    salinity_u: float = 0.0,
) -> dict[str, float]:
    """Return the standard uncertainty that each source contributes, umol/kg.

    A standardised bench knows concentration, titrant gain and sample volume together as its titre factor;
    one never standardised has each of them apart, as labels and calibrations give them.

    Parameters
    ----------
    config
        The bench.
    alkalinity_umol_kg
        The result.
    fit_u_umol_kg
        What the evaluation states: electrode noise, dose scatter, its own nuisance parameters.
    sample_ml
        Volume of the sample, residue included.
    salinity_u
        Standard uncertainty of the sample's salinity, which its mass is computed with.
    today
        With it the titre factor's uncertainty grows with its age, where the bench file says how old it is: a change
        that lies within `titre.drift_percent_per_month` either way, rectangular (GUM, JCGM 100:2008, 4.3.7).
    """
    pumps, titrant = config.pumps, config.titrant
    per_percent = abs(alkalinity_umol_kg) / 100.0
    budget = {
        "curve": fit_u_umol_kg,
        **_of_the_fill(config, per_percent, sample_ml),
        "salinity": 100.0 * per_percent * DENSITY_PER_SALINITY * salinity_u,
        "temperature": 100.0 * per_percent * DENSITY_PER_K * config.probes.temperature.u_k,
    }
    if config.titre.u_percent is not None:
        budget["titre factor"] = per_percent * config.titre.u_percent
        if today is not None and config.titre.calibrated_on is not None:
            months = max(0.0, (today - config.titre.calibrated_on).days / 30.0)
            budget["age of the titre factor"] = per_percent * config.titre.drift_percent_per_month * months / sqrt(3.0)
    else:
        budget["titrant strength"] = per_percent * titrant.concentration_u_percent
        budget["titrant pump gain"] = per_percent * pumps.titrant.gain_u_percent
        if config.sample.draw_down is not None:
            budget["height of the draw-down tip"] = per_percent * TIP_HEIGHT_PERCENT
        elif config.probes.balance is None:
            budget["sample pump gain"] = per_percent * pumps.sample.gain_u_percent
        else:
            budget["gain of the balance"] = per_percent * config.probes.balance.gain_u_percent
    return budget


def _of_the_fill(config: BenchConfig, per_percent: float, sample_ml: float) -> dict[str, float]:
    """Return what the sample's amount is uncertain by from fill to fill: weighed, or trusted to the pump."""
    balance, tip, per_ml = config.probes.balance, config.sample.draw_down, per_percent * 100.0 / sample_ml
    if tip is not None:
        return {"sample drawn down to its tip": per_ml * tip.u_ml}
    residue = {"residue": per_ml * config.vessel.residue_u_ml}
    if balance is None:
        return {"sample volume, from fill to fill": per_percent * config.pumps.sample.repeatability_percent, **residue}
    return {"sample weighed, difference of two": per_ml * sqrt(2.0) * balance.u_g, **residue}


def of_doubted_motion(
    config: BenchConfig, alkalinity_umol_kg: float, sample_ml: float, titrant_ml: float, doubted_ml: Mapping[str, float]
) -> dict[str, float]:
    """Return what steps that a motor may have lost contribute, umol/kg.

    Between none and all of them were lost: rectangular, and the value is not moved, so the whole width counts as a half
    width (GUM, JCGM 100:2008, 4.3.7). A sample that a tip or a balance measures does not depend on its pump.

    Parameters
    ----------
    doubted_ml
        By pump, the most that may be missing, mL.
    """
    by_pump = config.sample.draw_down is None and config.probes.balance is None
    shares = {
        "steps of the sample pump in doubt": doubted_ml.get("sample", 0.0) / sample_ml if by_pump else 0.0,
        "steps of the titrant pump in doubt": doubted_ml.get("titrant", 0.0) / titrant_ml if titrant_ml > 0.0 else 0.0,
    }
    return {name: abs(alkalinity_umol_kg) * share / sqrt(3.0) for name, share in shares.items() if share > 0.0}


def combined_u(budget: dict[str, float]) -> float:
    """Return the combined standard uncertainty of independent sources."""
    return sqrt(sum(u * u for u in budget.values()))
