"""The titration itself: doses, settled readings, and when to stop."""

from dataclasses import dataclass
from math import ceil

import numpy as np

from saltern.bench.bench import Bench
from saltern.chemistry.endpoint.curve import Conditions, Curve, Priors
from saltern.chemistry.titration_plan import next_dose_g
from saltern.config import BenchConfig
from saltern.errors import MotionError
from saltern.procedures.notebook import Notebook
from saltern.procedures.settling import Plateau, wait_until_settled

LONGEST_PART_S = 15.0


class CeilingError(MotionError):
    """The titrant ceiling of one run is reached and the end point is not."""


@dataclass
class _Points:
    """The curve as it grows."""

    titrant_ml: list[float]
    dose_sd_ml: list[float]
    plateaus: list[Plateau]

    def curve(self, density_kg_l: float, temperature_c: float) -> Curve:
        return Curve(
            titrant_g=np.array(self.titrant_ml) * density_kg_l,
            emf_mv=np.array([p.emf_mv for p in self.plateaus]),
            temperature_c=np.full(len(self.plateaus), temperature_c),
            time_s=np.array([p.at_s for p in self.plateaus]),
            emf_sd_mv=np.array([p.sd_mv for p in self.plateaus]),
            dose_sd_g=np.array(self.dose_sd_ml) * density_kg_l,
        )


def settled_reading(bench: Bench, notebook: Notebook) -> Plateau:
    """Wait for the electrode and answer with its plateau."""
    probe = bench.config.probes.ph
    return wait_until_settled(
        notebook.emf_mv,
        bench.clock.monotonic,
        lambda until_s: bench.wait(until_s - bench.clock.monotonic()),
        lag_s=probe.lag_s,
        noise_mv=probe.noise_mv,
    )


def whole_steps_ml(config: BenchConfig, volume_ml: float, steps_counted: bool) -> float:
    """Round a dose to what the titrant drive can count, never to nothing."""
    if not steps_counted:
        return volume_ml
    step_ml = config.pumps.titrant.ml_per_unit
    return max(1, round(volume_ml / step_ml)) * step_ml


def _dose(bench: Bench, notebook: Notebook, dose_ml: float, steps_counted: bool) -> None:
    """Give one dose, in parts if it takes long, and read between them: a probe that fails is noticed on the way."""
    pump = bench.config.pumps.titrant
    rate_ml_s = pump.ml_per_unit * bench.devices.pumps["titrant"].rate
    parts = max(1, ceil(dose_ml / (rate_ml_s * LONGEST_PART_S)))
    given_ml = 0.0
    for part in range(1, parts + 1):
        upto_ml = whole_steps_ml(bench.config, dose_ml * part / parts, steps_counted) if part < parts else dose_ml
        bench.add("titrant", upto_ml - given_ml)
        given_ml = upto_ml
        if part < parts:
            notebook.emf_mv()


def titrate(
    bench: Bench,
    notebook: Notebook,
    first: Plateau,
    conditions: Conditions,
    priors: Priors,
    *,
    titrant_density_kg_l: float,
    temperature_c: float,
) -> tuple[Curve, bool]:
    """Dose and read until the plan has what it wants.

    Returns
    -------
    tuple
        The curve, whose first point is `first` with no titrant, and whether every plateau had settled.

    Raises
    ------
    CeilingError
        The plan wants more than `limits.titrant_per_run_ml` leaves.
    """
    notebook.enter("titrate")
    pump = bench.config.pumps.titrant
    counted = bench.devices.pumps["titrant"].unit == "steps"
    ceiling_ml = bench.config.limits.titrant_per_run_ml
    points = _Points([0.0], [0.0], [first])
    notebook.show_point(0.0, first.emf_mv)
    bench.stir(bench.config.stirrer.titrate_speed)
    with bench.stage("titrate", titrant_ml=ceiling_ml, needs="ph"):
        while True:
            notebook.curve = curve = points.curve(titrant_density_kg_l, temperature_c)
            dose_g = next_dose_g(curve, conditions, priors, bench.config.method)
            if dose_g is None:
                break
            dose_ml = whole_steps_ml(bench.config, dose_g / titrant_density_kg_l, counted)
            given_ml = points.titrant_ml[-1]
            if given_ml + dose_ml > ceiling_ml:
                raise CeilingError(
                    f"{given_ml:.2f} mL of titrant are in and the end point is not reached; the next dose would "
                    f"pass limits.titrant_per_run_ml ({ceiling_ml:.1f} mL)",
                    where=f"{bench.config.name}, titrate",
                    remedy="Check the titrant's strength and bottle, the pH probe, and the ceiling",
                )
            _dose(bench, notebook, dose_ml, counted)
            points.titrant_ml.append(given_ml + dose_ml)
            points.dose_sd_ml.append(pump.dose_walk_ml * dose_ml**0.5)
            points.plateaus.append(settled_reading(bench, notebook))
            notebook.show_point(points.titrant_ml[-1], points.plateaus[-1].emf_mv)
    return curve, all(plateau.settled for plateau in points.plateaus)
