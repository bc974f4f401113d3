"""A determination evaluated again: by another method, or as other calibrations would have had it."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from saltern.chemistry.electrode import nernst_slope_mv
from saltern.chemistry.endpoint.curve import EndPoint, Estimate
from saltern.chemistry.endpoint.methods import method as method_named
from saltern.errors import CurveError
from saltern.model.determination import Determination
from saltern.procedures.calibrated import NBS_MINUS_TOTAL_PH
from saltern.procedures.determination import evaluation_priors
from saltern.procedures.titre import factor_of


def evaluated_again(
    d: Determination, method: str | None = None, options: Mapping[str, object] | None = None
) -> tuple[EndPoint, float]:
    """Return the end point and the alkalinity, umol/kg, its titre factor included.

    Parameters
    ----------
    d
        With its curve.
    method
        As it was otherwise.
    options
        Calibrated options by dotted name that count instead of those it was made with. Volumes and masses are scaled
        by the pumps' gains; the electrode's prior moves with slope and offset; salinity stays, for only the service's
        own readings hold what it was made of.

    Raises
    ------
    CurveError
        There is no curve any more, or the method cannot bear it.
    """
    if d.curve is None or d.conditions is None or d.priors is None:
        raise CurveError(
            "there is no curve to evaluate",
            where="evaluate again",
            remedy="It was void before one came to be, or records.keep_curves_days has dropped it",
        )
    new = {**d.calibrated, **{name: v for name, v in (options or {}).items() if isinstance(v, float | int)}}

    def ratio(name: str) -> float:
        was, now = d.calibrated.get(name), new.get(name)
        return 1.0 if not was or not now else float(now) / float(was)

    by_titrant, by_sample = ratio("pumps.titrant.ml_per_unit"), ratio("pumps.sample.ml_per_unit")
    curve = replace(
        d.curve,
        titrant_g=d.curve.titrant_g * by_titrant,
        dose_sd_g=None if d.curve.dose_sd_g is None else d.curve.dose_sd_g * by_titrant,
    )
    conditions = replace(
        d.conditions,
        sample_g=d.conditions.sample_g * by_sample,
        titrant_mol_per_kg=d.conditions.titrant_mol_per_kg * ratio("titrant.concentration_mol_per_l"),
    )
    priors = d.priors
    if "probes.ph.e7_mv" in (options or {}) and priors.e0_mv is not None:
        slope = float(new["probes.ph.slope_percent"] or 100.0) / 100.0
        per_ph = nernst_slope_mv(float(np.mean(curve.temperature_c))) * slope
        e0_mv = float(new["probes.ph.e7_mv"] or 0.0) + per_ph * (7.0 - NBS_MINUS_TOTAL_PH)
        priors = replace(priors, e0_mv=Estimate(e0_mv, priors.e0_mv.u), slope=Estimate(slope, priors.slope.u))
    end_point = method_named(method or d.method).find(curve, conditions, evaluation_priors(priors))
    factor = factor_of(options or {}, d.started_at) or new.get("titre.factor")
    return end_point, end_point.alkalinity_umol_kg * (1.0 if factor is None else float(factor))
