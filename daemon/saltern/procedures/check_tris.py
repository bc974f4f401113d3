"""Checking pH on the total scale in a tris buffer made up in artificial seawater (SOP 6a).

The electrode that the last titration fitted is held against a buffer whose pH is known on the scale, and near the
value, that results are reported on. What it reads too high is taken off later results: a bent electrode, a shift by
stirring and whatever else the extrapolation from the acid side brings stand in it together.
"""

from collections.abc import Sequence
from math import hypot, sqrt
from typing import Annotated

from pydantic import Field
from pydantic.dataclasses import dataclass as validated

from saltern.bench.bench import Bench
from saltern.chemistry.electrode import nernst_slope_mv, tris_ph_total
from saltern.chemistry.endpoint.curve import EndPoint
from saltern.model.calibration import Calibration, Cause, Kind, RefusedError
from saltern.model.determination import Determination
from saltern.model.verdict import Verdict
from saltern.procedures.calibrate_ph import LEAST_S, MOST_S, STEADY_MV_PER_MIN
from saltern.procedures.notebook import Notebook
from saltern.procedures.options import CHECKED
from saltern.procedures.prompts import Prompts
from saltern.procedures.steady import until_steady

TRIS_U_PH = 0.005
"""Of a buffer made up by a keeper; a certified one is better (its certificate says)."""

DIFFERS = 3.0
ISOPOTENTIAL_PH = 7.0
"""Where a glass electrode's signal does not change with temperature (common practice: pH 7)."""


@validated(frozen=True, config=CHECKED)
class TrisOptions:
    """The buffer's practical salinity, as made up."""

    salinity: Annotated[float, Field(ge=20, le=40)] = 35.0


def check_tris(bench: Bench, prompts: Prompts, options: TrisOptions, past: Sequence[Determination]) -> Calibration:
    """Read the buffer with the electrode of the last accepted titration; return the correction, and what it knows.

    Raises
    ------
    RefusedError
        There is no such titration, the signal drifts, or the buffer says that reported pH is wrong.
    """
    fitted = [
        d for d in past if d.ph_total.verdict is Verdict.ACCEPTED and d.end_point is not None and d.end_point.e0_mv
    ]
    if not fitted:
        raise RefusedError(
            Cause.NOT_ACCEPTED,
            "no titration has shown yet how this electrode behaves",
            kind=Kind.PH,
            remedy="Measure the tank once, then check",
        )
    end_point = fitted[-1].end_point
    assert end_point is not None and end_point.e0_mv is not None  # noqa: PT018, S101 - chosen so
    prompts.confirm("probes-in tris", "Rinse pH and temperature probe, put both into the tris buffer, stir a little")
    notebook = Notebook(bench)
    found = until_steady(
        bench,
        lambda: notebook.emf_mv()[0],
        lambda mv: prompts.see("electrode", mv, "mV"),
        slope_per_min=STEADY_MV_PER_MIN,
        least_s=LEAST_S,
        most_s=MOST_S,
    )
    temperature_c = notebook.temperature_c()
    prompts.confirm("probes-back", "Rinse the probes and put them back into the vessel")
    if not found.steady:
        raise RefusedError(
            Cause.DRIFTING,
            f"the signal still moves by {found.slope_per_min:+.2f} mV a minute",
            kind=Kind.PH,
            remedy="Clean the probe, and check again",
        )
    mv_per_ph = nernst_slope_mv(temperature_c) * (end_point.slope or 1.0)
    then_c = fitted[-1].temperature_c or temperature_c
    e0_mv = end_point.e0_mv + ISOPOTENTIAL_PH * (mv_per_ph - nernst_slope_mv(then_c) * (end_point.slope or 1.0))
    reads, is_ph = (e0_mv - found.value) / mv_per_ph, tris_ph_total(options.salinity, temperature_c)
    electrode_u = _electrode_u_ph(end_point, reads, mv_per_ph)
    u = hypot(TRIS_U_PH, electrode_u)
    off = reads - is_ph
    prompts.say(
        f"pH total {reads:.3f}, and the buffer is {is_ph:.3f} at {temperature_c:.1f} degC: {off:+.3f}, u {u:.3f}"
    )
    probe = bench.config.probes.ph
    stated_u = fitted[-1].ph_total.in_parts().u_shared if probe.tris_u_ph is None else probe.tris_u_ph
    beyond = abs(off - probe.tris_off_ph) / hypot(u, stated_u)
    if beyond > DIFFERS:
        raise RefusedError(
            Cause.OFFSET,
            f"reported pH is off by {off - probe.tris_off_ph:+.3f}, {beyond:.1f} standard uncertainties",
            kind=Kind.PH,
            remedy="Make a fresh buffer and leave the probe in seawater for half an hour. If that does not help, clean "
            "or replace it",
            readings=({"emf_mv": found.value, "temperature_c": temperature_c, "ph_total": reads, "tris": is_ph},),
        )
    words = f"pH reads {off:+.3f} too high in tris at {temperature_c:.1f} degC, u {u:.3f}: it is taken off"
    prompts.say(words)
    return Calibration(
        Kind.TRIS,
        {"probes.ph.tris_off_ph": off, "probes.ph.tris_u_ph": u},
        words,
        {"ph_total": reads, "tris_ph_total": is_ph, "off": off, "u": u, "temperature_c": temperature_c},
    )


def _electrode_u_ph(end_point: EndPoint, ph: float, mv_per_ph: float) -> float:
    """Return the standard uncertainty of a pH that is read with a fitted electrode: offset and slope go together."""
    by_e0, by_slope = 1.0 / mv_per_ph, -ph / (end_point.slope or 1.0)
    e0_u, slope_u = end_point.e0_u_mv or 0.0, end_point.slope_u or 0.0
    variance = (by_e0 * e0_u) ** 2 + (by_slope * slope_u) ** 2
    return sqrt(max(0.0, variance + 2.0 * by_e0 * by_slope * (end_point.e0_slope_covariance or 0.0)))
