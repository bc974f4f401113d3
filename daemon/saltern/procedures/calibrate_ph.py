"""Calibrating the pH electrode in one, two or three buffers, the neutral one first."""

from itertools import pairwise
from statistics import median
from typing import Annotated

import numpy as np
from pydantic import AfterValidator, Field
from pydantic.dataclasses import dataclass as validated

from saltern.bench.bench import Bench
from saltern.chemistry.electrode import buffer_ph, calibrate, nernst_slope_mv
from saltern.model.calibration import Calibration, Cause, Kind, RefusedError, Value
from saltern.procedures.notebook import Notebook
from saltern.procedures.options import CHECKED
from saltern.procedures.prompts import Prompts
from saltern.procedures.settling import time_constant_s
from saltern.procedures.steady import until_steady

SHORT = {
    "phthalate": "phthalate 0.05 mol/kg",
    "phosphate": "phosphate 0.025 mol/kg",
    "phosphate-7.41": "phosphate 7.413",
    "borax": "borax 0.01 mol/kg",
    "carbonate": "carbonate 0.025 mol/kg",
}
"""What the tables have, by the names that the command line takes."""

LABEL_C, LABEL_U_PH_PER_K = 25.0, 0.005
"""What a label says holds at 25 degC. By the tables here buffers go by 0.001 (phthalate) to 0.009 (borax) a kelvin."""

STEADY_MV_PER_MIN, LEAST_S, MOST_S = 0.3, 60.0, 600.0
BUFFER_U_PH = 0.01
"""Of a fresh buffer as bought (common practice; its certificate says)."""

SLOPE_GOOD, SLOPE_WORN, SLOPE_BOUNDS = (95.0, 102.0), 92.0, (85.0, 105.0)
OFFSET_GOOD_MV, OFFSET_BOUND_MV = 30.0, 60.0
"""Slope and offset of a sound, a worn and a spent electrode (common practice; the probe's own sheet comes first)."""

MANUAL_OFFSET_PH = 0.5
"""The most that one buffer may shift; beyond it the slope must be looked at too, or the probe replaced."""

NOT_THAT_BUFFER_PH = 1.3
SAME_TEMPERATURE_K = 3.0


def value_of(buffer: str, temperature_c: float) -> float:
    """Return the pH of a buffer at a temperature, NBS scale; a label's value is taken as it is, with an
    uncertainty that grows with the distance from 25 degC.

    Raises
    ------
    ValueError
        It is neither a table's name nor a pH.
    """
    return buffer_ph(SHORT[buffer], temperature_c) if buffer in SHORT else float(buffer)


LABEL_PH = (2.0, 12.0)
"""pH that a glass electrode is calibrated at: beyond, acid and alkaline errors begin (common practice)."""

BUFFERS_APART_PH = 0.3
"""Nearer buffers give no slope; the nearest two of the tables lie 0.5 apart."""


def _is_buffer(text: str) -> str:
    low, high = LABEL_PH
    try:
        known = text.isascii() and low <= value_of(text, 25.0) <= high
    except ValueError:
        known = False
    if not known:
        msg = f"it is neither a label's pH from {low:g} to {high:g} nor one of {', '.join(SHORT)}"
        raise ValueError(msg)
    return text


def _apart(buffers: tuple[str, ...]) -> tuple[str, ...]:
    values = sorted(value_of(name, 25.0) for name in buffers)
    if any(after - before < BUFFERS_APART_PH for before, after in pairwise(values)):
        msg = f"two of the buffers lie less than {BUFFERS_APART_PH:g} pH apart"
        raise ValueError(msg)
    return buffers


Buffer = Annotated[str, Field(min_length=1, max_length=40), AfterValidator(_is_buffer)]


@validated(frozen=True, config=CHECKED)
class PhOptions:
    """Which buffers: names of the tables, or the pH that the bottle's label gives at 25 degC."""

    buffers: Annotated[tuple[Buffer, ...], Field(min_length=1, max_length=3), AfterValidator(_apart)] = (
        "phosphate",
        "phthalate",
    )


def calibrate_ph(bench: Bench, prompts: Prompts, options: PhOptions) -> Calibration:
    """Calibrate the electrode.

    Raises
    ------
    RefusedError
        The signal drifts, a buffer is not the one named, or slope or offset is out of bounds.
    """
    buffers = sorted(options.buffers, key=lambda name: abs(value_of(name, 25.0) - 7.0))
    notebook = Notebook(bench)
    signals, temperatures, noises, lags = [], [], [], []
    readings: list[dict[str, Value]] = []
    for buffer in buffers:
        prompts.confirm(
            f"probes-in {buffer}",
            f"Rinse pH and temperature probe, and put both into the buffer {buffer} (neutral first); "
            "stir a little. Answer at once: how fast the signal follows is measured too",
        )
        emf_mv, noise_mv, lag_s, temperature_c = _read_buffer(bench, prompts, notebook, buffer)
        signals.append(emf_mv)
        noises.append(noise_mv)
        lags.append(lag_s)
        temperatures.append(temperature_c)
        readings.append(
            {"buffer": buffer, "emf_mv": emf_mv, "noise_mv": noise_mv, "temperature_c": temperature_c, "lag_s": lag_s}
        )
        _demand_this_buffer(bench, buffers, len(signals) - 1, signals, temperatures, tuple(readings))
    prompts.confirm("probes-back", "Rinse the probes and put them back into the vessel")
    if max(temperatures) - min(temperatures) > SAME_TEMPERATURE_K:
        raise RefusedError(
            Cause.NOT_AT_TEMPERATURE,
            f"the buffers were at {min(temperatures):.1f} to {max(temperatures):.1f} degC",
            kind=Kind.PH,
            remedy="Let all buffers come to the room's temperature",
            readings=tuple(readings),
        )
    return _fitted(bench, prompts, buffers, signals, temperatures, noises, lags, tuple(readings))


def _read_buffer(
    bench: Bench, prompts: Prompts, notebook: Notebook, buffer: str
) -> tuple[float, float, float | None, float]:
    """Return signal, noise of a reading, lag if it could be seen, and temperature."""
    seen: list[tuple[float, float]] = []

    def read_mv() -> float:
        seen.append(notebook.emf_mv())
        return seen[-1][0]

    found = until_steady(
        bench,
        read_mv,
        lambda mv: prompts.see("electrode", mv, "mV"),
        slope_per_min=STEADY_MV_PER_MIN,
        least_s=LEAST_S,
        most_s=MOST_S,
    )
    if not found.steady:
        raise RefusedError(
            Cause.DRIFTING,
            f"in {buffer} the signal still moves by {found.slope_per_min:+.2f} mV a minute after "
            f"{found.took_s / 60.0:.0f} minutes",
            kind=Kind.PH,
            remedy="Clean the probe, then refill or soak it as its data sheet says. A new one may need a day in "
            "storage solution. Then begin again",
        )
    signals_mv, times_s = np.array(seen).T
    return found.value, found.noise, time_constant_s(times_s, signals_mv), notebook.temperature_c()


def _demand_this_buffer(
    bench: Bench,
    buffers: list[str],
    at: int,
    signals: list[float],
    temperatures: list[float],
    readings: tuple[dict[str, Value], ...],
) -> None:
    """Refuse a buffer whose signal is that of another one.

    The first is compared with the electrode as it was, those that follow with the first.
    """
    probe, temperature_c = bench.config.probes.ph, temperatures[at]
    per_ph = nernst_slope_mv(temperature_c) * probe.slope_percent / 100.0
    if at == 0:
        seems = 7.0 - (signals[0] - probe.e7_mv) / per_ph
    else:
        seems = value_of(buffers[0], temperatures[0]) - (signals[at] - signals[0]) / per_ph
    named = value_of(buffers[at], temperature_c)
    if at > 0 and abs(2.0 * value_of(buffers[0], temperatures[0]) - named - seems) < NOT_THAT_BUFFER_PH / 2.0:
        raise RefusedError(
            Cause.POLARITY,
            f"the signal runs the wrong way from {buffers[0]} to {buffers[at]}",
            kind=Kind.PH,
            remedy="The board or its driver turns the sign: it must rise with acid",
            readings=readings,
        )
    if abs(seems - named) < NOT_THAT_BUFFER_PH:
        return
    known = {name: value_of(name, temperature_c) for name in {*SHORT, *buffers}}
    likely = min(known, key=lambda name: abs(known[name] - seems))
    swapped = likely in buffers and likely != buffers[at]
    raise RefusedError(
        Cause.BUFFERS_SWAPPED if swapped else Cause.WRONG_BUFFER,
        f"in what should be {buffers[at]} (pH {named:.2f}) the electrode says about {seems:.1f}, which is nearest to "
        f"{likely}",
        kind=Kind.PH,
        remedy="Put the probes into the buffers in the order asked for"
        if swapped
        else "Check the bottle; if it is right, the buffer is spoilt or the electrode spent",
        readings=readings,
    )


def _fitted(
    bench: Bench,
    prompts: Prompts,
    buffers: list[str],
    signals: list[float],
    temperatures: list[float],
    noises: list[float],
    lags: list[float | None],
    readings: tuple[dict[str, Value], ...],
) -> Calibration:
    temperature_c = float(np.mean(temperatures))
    ph = np.array([value_of(name, t) for name, t in zip(buffers, temperatures, strict=True)])
    labelled = any(name not in SHORT for name in buffers)
    by_warmth = LABEL_U_PH_PER_K * abs(temperature_c - LABEL_C) if labelled else 0.0
    buffer_u_ph = float(np.hypot(BUFFER_U_PH, by_warmth))
    one_u_mv = float(np.hypot(buffer_u_ph * nernst_slope_mv(temperature_c), median(noises)))
    fit = calibrate(np.array(signals), ph, temperature_c, one_u_mv)
    slope, e7_mv, probe = fit.slope_percent, fit.e7_mv, bench.config.probes.ph
    if len(buffers) == 1:
        shift_ph = (e7_mv.value - probe.e7_mv) / nernst_slope_mv(temperature_c)
        if abs(shift_ph) > MANUAL_OFFSET_PH:
            raise RefusedError(
                Cause.OFFSET,
                f"one buffer would shift the electrode by {shift_ph:+.2f} pH, and {MANUAL_OFFSET_PH} is the most",
                kind=Kind.PH,
                remedy="Calibrate with two buffers; if that is refused too, replace the probe",
                readings=readings,
            )
    if not SLOPE_BOUNDS[0] <= slope.value <= SLOPE_BOUNDS[1]:
        raise RefusedError(
            Cause.SLOPE,
            f"the slope is {slope.value:.1f} % of Nernst's; sound is {SLOPE_BOUNDS[0]:.0f} to {SLOPE_BOUNDS[1]:.0f}",
            kind=Kind.PH,
            remedy="Take fresh buffers; if it stays so, clean or replace the probe",
            readings=readings,
        )
    if abs(e7_mv.value) > OFFSET_BOUND_MV:
        raise RefusedError(
            Cause.OFFSET,
            f"the signal at pH 7 is {e7_mv.value:+.0f} mV, and {OFFSET_BOUND_MV:.0f} is the most",
            kind=Kind.PH,
            remedy="Take fresh buffers, check the board's zero; if it stays so, replace the probe",
            readings=readings,
        )
    seen_s = [each for each in lags if each is not None]
    lag_s = median(seen_s) if seen_s else probe.lag_s
    follows = f"lag {lag_s:.0f} s" if seen_s else f"lag not seen, {lag_s:.0f} s as before"
    noise_mv = max(median(noises), 0.02)
    words = (
        f"slope {slope.value:.1f} % ({slope.value / 100.0 * nernst_slope_mv(25.0):.2f} mV/pH at 25 degC), "
        f"{e7_mv.value:+.1f} mV at pH 7, {follows}, noise {noise_mv:.2f} mV: " + _verdict(slope.value, e7_mv.value)
    )
    prompts.say(words)
    prompts.say("Buffers are poor in salt: for 15 to 30 minutes in tank water the junction still moves, and so does pH")
    values: dict[str, Value] = {
        "probes.ph.e7_mv": e7_mv.value,
        "probes.ph.e7_u_mv": max(e7_mv.u, 0.1),
        "probes.ph.noise_mv": min(noise_mv, 20.0),
        "probes.ph.calibrated_on": bench.clock.now().date().isoformat(),
    }
    if len(buffers) > 1:
        values |= {
            "probes.ph.slope_percent": slope.value,
            "probes.ph.slope_u_percent": max(slope.u, 0.05),
            "probes.ph.lag_s": min(max(lag_s, 0.5), 120.0),
        }
    statistics = {
        "slope_percent": slope.value,
        "slope_mv_per_ph_25c": slope.value / 100.0 * nernst_slope_mv(25.0),
        "e7_mv": e7_mv.value,
        "residual_mv": fit.residual_mv,
        "lag_s": lag_s,
        "noise_mv": noise_mv,
        "buffers": float(len(buffers)),
    }
    return Calibration(Kind.PH, values, words, statistics, readings)


def _verdict(slope_percent: float, e7_mv: float) -> str:
    """Return what is said of an electrode within bounds."""
    if slope_percent < SLOPE_WORN:
        return "worn: clean it, and have another ready"
    if not SLOPE_GOOD[0] <= slope_percent <= SLOPE_GOOD[1] or abs(e7_mv) > OFFSET_GOOD_MV:
        return "usable: clean it, and look again next month"
    return "sound"
