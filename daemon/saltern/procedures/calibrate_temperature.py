"""Calibrating the temperature probe at one point, against a thermometer that is trusted."""

from math import hypot
from typing import Annotated

from pydantic import Field
from pydantic.dataclasses import dataclass as validated

from saltern.bench.bench import Bench
from saltern.model.calibration import Calibration, Cause, Kind, RefusedError
from saltern.procedures.notebook import Notebook
from saltern.procedures.options import CHECKED
from saltern.procedures.prompts import Prompts
from saltern.procedures.steady import until_steady

STEADY_K_PER_MIN, LEAST_S, MOST_S = 0.05, 120.0, 1200.0
FURTHEST_K = 5.0


@validated(frozen=True, config=CHECKED)
class TemperatureOptions:
    """How well the thermometer is known, K, one standard uncertainty."""

    thermometer_u_k: Annotated[float, Field(ge=0.005, le=2)] = 0.1


def calibrate_temperature(bench: Bench, prompts: Prompts, options: TemperatureOptions) -> Calibration:
    """Compare the probe with a thermometer in the same, stirred water.

    Raises
    ------
    RefusedError
        The temperature still changes, or the two are too far apart.
    """
    notebook = Notebook(bench)
    prompts.confirm("thermometer-beside", "Put probe and thermometer side by side into a beaker of stirred water")
    found = until_steady(
        bench,
        notebook.temperature_c,
        lambda c: prompts.see("temperature", c, "degC"),
        slope_per_min=STEADY_K_PER_MIN,
        least_s=LEAST_S,
        most_s=MOST_S,
    )
    if not found.steady:
        raise RefusedError(
            Cause.NOT_AT_TEMPERATURE,
            f"it still changes by {found.slope_per_min:+.2f} K a minute after {found.took_s / 60.0:.0f} minutes",
            kind=Kind.TEMPERATURE,
            remedy="Let the water come to the room's temperature",
        )
    shown_c = prompts.number("thermometer", "What the thermometer shows", "degC", 2.0, 45.0)
    prompts.confirm("thermometer-away", "Put the probe back into the vessel")
    offset_k = bench.config.probes.temperature.offset_k + shown_c - found.value
    if abs(offset_k) > FURTHEST_K:
        raise RefusedError(
            Cause.DIFFERS,
            f"probe and thermometer are {offset_k:+.1f} K apart",
            kind=Kind.TEMPERATURE,
            remedy="Check both: one of them is broken, or not in the water",
        )
    u_k = hypot(options.thermometer_u_k, found.noise)
    words = f"offset {offset_k:+.2f} K, u {u_k:.2f} K"
    prompts.say(words)
    return Calibration(
        Kind.TEMPERATURE,
        {
            "probes.temperature.offset_k": offset_k,
            "probes.temperature.u_k": max(u_k, 0.01),
            "probes.temperature.calibrated_on": bench.clock.now().date().isoformat(),
        },
        words,
        {"offset_k": offset_k, "u_k": u_k},
        ({"thermometer_c": shown_c, "probe_c": found.value},),
    )
