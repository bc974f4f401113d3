"""The uncertainty budget of an alkalinity: what each source contributes (GUM, JCGM 100:2008, 5.1.2)."""

from collections.abc import Mapping
from datetime import date
from math import hypot, sqrt

from saltern.chemistry.titrant import titrant_density_kg_l
from saltern.config.tables import BenchConfig, Titrant
from saltern.model.parts import Parts
from saltern.procedures.titre import AGE, FACTOR, scatter_of, titre_at

DENSITY_PER_SALINITY, DENSITY_PER_K = 7.4e-4, 3.0e-4
"""Relative change of the sample's mass with salinity and temperature at S 35 and 25 degC (TEOS-10); what they do to the
curve itself is the evaluation's."""

USUAL_C = 25.0
TIP_HEIGHT_PERCENT = 1.0
"""A tip's height is set with a rule: half a millimetre in fifty (assumed); a reference takes it away."""

SHOWN = "scatter beyond what is stated"

SHARED_BY: dict[str, str | None] = {
    "curve": None,
    "sample volume, from fill to fill": None,
    "sample weighed, difference of two": None,
    "sample drawn down to its tip": None,
    "residue": None,
    "expansion of the titrant": None,
    "sample metered at another temperature": None,
    "steps of the sample pump in doubt": None,
    "steps of the titrant pump in doubt": None,
    SHOWN: None,
    "salinity": "conductivity",
    "temperature": "temperature",
    FACTOR: "titre",
    AGE: "titre",
    "titrant strength": "titrant",
    "titrant pump gain": "titrant-pump",
    "sample pump gain": "sample-pump",
    "height of the draw-down tip": "draw-down tip",
    "gain of the balance": "balance",
}
"""Each source, and the kind of calibration through which results share its error; None: it is a result's own.

The curve counts as its own, though constants and borate repeat in it: that makes the uncertainty of a change a little
too wide, and that of a mean a little too narrow."""

OWN = frozenset(source for source, kind in SHARED_BY.items() if kind is None)


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
        With it the titre factor's uncertainty grows with its age: by what is known of its rate, or, where only the
        bench file says how old it is, by a change that lies within `titre.drift_percent_per_month` either way,
        rectangular (GUM, JCGM 100:2008, 4.3.7).
    """
    pumps, titrant = config.pumps, config.titrant
    per_percent = abs(alkalinity_umol_kg) / 100.0
    budget = {
        "curve": fit_u_umol_kg,
        **_of_the_fill(config, per_percent, sample_ml),
        "expansion of the titrant": 100.0 * per_percent * _expansion_per_k(titrant) * titrant.temperature_u_k,
    }
    if config.probes.balance is None or config.sample.draw_down is not None:  # a weighed sample needs no density
        budget["salinity"] = 100.0 * per_percent * DENSITY_PER_SALINITY * salinity_u
        budget["temperature"] = 100.0 * per_percent * DENSITY_PER_K * config.probes.temperature.u_k
    if config.probes.balance is None and config.sample.draw_down is None:
        warmer = 100.0 * per_percent * DENSITY_PER_K * config.sample.temperature_u_k
        budget["sample metered at another temperature"] = warmer
    titre = titre_at(config.titre, today)
    if titre is not None:
        budget |= {source: per_percent * percent for source, percent in titre.percent.items()}
    else:
        budget["titrant strength"] = per_percent * titrant.concentration_u_percent
        budget["titrant pump gain"] = per_percent * pumps.titrant.gain_u_percent
        if config.sample.draw_down is not None:
            budget["height of the draw-down tip"] = per_percent * TIP_HEIGHT_PERCENT
        elif config.probes.balance is None:
            budget["sample pump gain"] = per_percent * pumps.sample.gain_u_percent
        else:
            budget["gain of the balance"] = per_percent * config.probes.balance.gain_u_percent
    shown = scatter_of(config.titre)
    if shown is not None:
        stated = hypot(*(u for source, u in budget.items() if source in OWN))
        beyond = (100.0 * per_percent * shown.u) ** 2 - stated**2
        if beyond > 0.0:
            budget[SHOWN] = sqrt(beyond)
    return budget


def alkalinity_parts(
    config: BenchConfig, alkalinity_umol_kg: float, budget: Mapping[str, float], at: date, numbers: Mapping[str, int]
) -> Parts:
    """Return the two parts of an alkalinity's uncertainty.

    Parameters
    ----------
    config, alkalinity_umol_kg, budget, at
        The bench, the result, its budget, its time.
    numbers
        Of the calibrations in force, by kind.
    """
    epochs: dict[str, float] = {}
    for source, u in budget.items():
        kind = SHARED_BY[source]
        if kind is None or u == 0.0:
            continue
        if kind != "titre":
            epochs[epoch_of(kind, numbers)] = u
            continue
        titre = titre_at(config.titre, at, numbers.get(kind))
        per_percent = abs(alkalinity_umol_kg) / 100.0
        epochs |= {name: per_percent * u for name, u in titre.epochs.items() if u} if titre is not None else {}
    return Parts(hypot(*(u for source, u in budget.items() if source in OWN)), epochs)


def epoch_of(kind: str, numbers: Mapping[str, int]) -> str:
    """Return the name of what results share through a calibration of this kind."""
    number = numbers.get(kind)
    return f"{kind} {'of the bench file' if number is None else number}"


def _expansion_per_k(titrant: Titrant) -> float:
    """Return by how much the titrant's density falls in a kelvin at 25 degC, relative: a pump gives a volume of it."""
    at, warmer = (
        titrant_density_kg_l(titrant.concentration_mol_per_l, titrant.background, USUAL_C + k) for k in (0.0, 1.0)
    )
    return (at - warmer) / at


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
