"""The uncertainty budget of an alkalinity: what each source contributes (GUM, JCGM 100:2008, 5.1.2)."""

from math import sqrt

from saltern.config import BenchConfig


def alkalinity_budget(
    config: BenchConfig, alkalinity_umol_kg: float, fit_u_umol_kg: float, sample_ml: float
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
    """
    pumps, titrant = config.pumps, config.titrant
    per_percent = abs(alkalinity_umol_kg) / 100.0
    budget = {
        "curve": fit_u_umol_kg,
        "sample volume, from fill to fill": per_percent * pumps.sample.repeatability_percent,
        "residue": per_percent * 100.0 * config.vessel.residue_u_ml / sample_ml,
    }
    if config.titre.u_percent is not None:
        budget["titre factor"] = per_percent * config.titre.u_percent
    else:
        budget["titrant strength"] = per_percent * titrant.concentration_u_percent
        budget["titrant pump gain"] = per_percent * pumps.titrant.gain_u_percent
        budget["sample pump gain"] = per_percent * pumps.sample.gain_u_percent
    return budget


def combined_u(budget: dict[str, float]) -> float:
    """Return the combined standard uncertainty of independent sources."""
    return sqrt(sum(u * u for u in budget.values()))
