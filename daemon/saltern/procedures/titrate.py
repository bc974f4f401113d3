"""The titration itself: doses, settled readings, and when to stop."""

from dataclasses import dataclass
from math import ceil

import numpy as np

from saltern.bench.bench import Bench
from saltern.chemistry.endpoint.curve import Conditions, Curve, Priors
from saltern.chemistry.titration_knowledge import Answer, Knowledge, knowledge_of
from saltern.chemistry.titration_plan import Effort, next_dose_g
from saltern.chemistry.units import umol_kg_to_dkh
from saltern.config.tables import BenchConfig
from saltern.errors import MotionError
from saltern.model.determination import Notice
from saltern.procedures.notebook import Notebook, SoFar
from saltern.procedures.settling import ENOUGH, Lag, Plateau, wait_until_settled
from saltern.procedures.titre import titre_at

LONGEST_PART_S = 15.0
KNOWN_NOISE_FREEDOM = 10
"""The configured noise counts as much as so many degrees of freedom of what the plateaus show."""

SLOW = 2.0
"""An electrode this many times slower than configured is reported: 2.8 standard deviations of `settling.LAG_WITHIN`."""

SHOWS_UMOL_KG, SHOWS_MV = 350.0, 4.0
"""So much acid lowers the pH of seawater of 7000 umol/kg by 0.1 at least, which is 6 mV; of poorer water by more."""

NOT_MIXED = 6.0
NEARLY_EMPTY_ML = 30.0
LAGS_PER_READING, SECONDS_PER_DOSE = 4.0, 6.0
"""About how long a reading takes; the plan needs it only to foresee how much CO2 is lost meanwhile."""


class CeilingError(MotionError):
    """The titrant ceiling of one run is reached and the end point is not."""


class NotMixedError(MotionError):
    """The stirrer does not mix, or the electrode no longer follows."""


class NoResponseError(MotionError):
    """Acid was asked for, and the electrode does not show any."""


@dataclass
class _Points:
    """The curve as it grows."""

    titrant_ml: list[float]
    dose_sd_ml: list[float]
    plateaus: list[Plateau]

    def noise_mv(self, configured_mv: float) -> float:
        """Return the noise of one reading: as configured, and as the plateaus show it."""
        squares = sum(p.freedom * p.scatter_mv**2 for p in self.plateaus) + KNOWN_NOISE_FREEDOM * configured_mv**2
        return float((squares / (sum(p.freedom for p in self.plateaus) + KNOWN_NOISE_FREEDOM)) ** 0.5)

    def curve(self, density_kg_l: float, temperature_c: float, configured_noise_mv: float) -> Curve:
        stretch = self.noise_mv(configured_noise_mv) / configured_noise_mv
        return Curve(
            titrant_g=np.array(self.titrant_ml) * density_kg_l,
            emf_mv=np.array([p.emf_mv for p in self.plateaus]),
            temperature_c=np.full(len(self.plateaus), temperature_c),
            time_s=np.array([p.at_s for p in self.plateaus]),
            emf_sd_mv=np.array([p.sd_mv for p in self.plateaus]) * stretch,
            dose_sd_g=np.array(self.dose_sd_ml) * density_kg_l,
        )


def settled_reading(bench: Bench, notebook: Notebook, lag: Lag | None = None, noise_mv: float | None = None) -> Plateau:
    """Wait for the electrode and answer with its plateau.

    Parameters
    ----------
    bench, notebook
        The bench, and where readings are written.
    lag, noise_mv
        Of the electrode, as this run has taught; as configured otherwise.
    """
    probe = bench.config.probes.ph
    return wait_until_settled(
        notebook.emf_mv,
        bench.clock.monotonic,
        lambda until_s: bench.wait(until_s - bench.clock.monotonic()),
        lag=lag or Lag(probe.lag_s),
        noise_mv=noise_mv or probe.noise_mv,
    )


def effort_of(config: BenchConfig, titrant_density_kg_l: float) -> Effort:
    """Return what readings and doses of this bench are like, and how far a titration is to go."""
    probe = config.probes.ph
    return Effort(
        reading_sd_mv=ENOUGH * probe.noise_mv,
        dose_walk_g=config.pumps.titrant.dose_walk_ml * titrant_density_kg_l**0.5,
        reading_every_s=LAGS_PER_READING * probe.lag_s + SECONDS_PER_DOSE,
        most_readings=config.titration.most_readings,
        goal_u_umol_kg=config.titration.goal_u_umol_kg,
    )


def whole_steps_ml(config: BenchConfig, volume_ml: float, steps_counted: bool) -> float:
    """Round a dose to what the titrant drive can count, never to nothing."""
    if not steps_counted:
        return volume_ml
    step_ml = config.pumps.titrant.ml_per_unit
    return max(1, round(volume_ml / step_ml)) * step_ml


def whole_dose_ml(config: BenchConfig, volume_ml: float, steps_counted: bool) -> float:
    """Round a dose to whole roller pitches where they are known and it has any, else to whole steps.

    A peristaltic pump pulsates once a roller; over whole pitches the pulsation comes to nothing.
    """
    pitch = config.pumps.titrant.units_per_roller_pitch
    if steps_counted and pitch is not None:
        pitch_ml = pitch * config.pumps.titrant.ml_per_unit
        if volume_ml >= pitch_ml:
            return round(volume_ml / pitch_ml) * pitch_ml
    return whole_steps_ml(config, volume_ml, steps_counted)


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
    pump, probe = bench.config.pumps.titrant, bench.config.probes.ph
    effort = effort_of(bench.config, titrant_density_kg_l)
    counted = bench.devices.pumps["titrant"].unit == "steps"
    ceiling_ml = bench.config.limits.titrant_per_run_ml
    points = _Points([0.0], [0.0], [first])
    notebook.show_point(0.0, first.emf_mv)
    bench.stir(bench.config.stirrer.titrate_speed)
    with bench.stage("titrate", titrant_ml=ceiling_ml, needs="ph"):
        while True:
            notebook.curve = curve = points.curve(titrant_density_kg_l, temperature_c, probe.noise_mv)
            knowledge = knowledge_of(curve, conditions, priors)
            notebook.so_far = _so_far(bench, knowledge, conditions.salinity)
            dose_g = next_dose_g(knowledge, curve, conditions, priors, effort, bench.config.method)
            if dose_g is None:
                break
            dose_ml = whole_dose_ml(bench.config, dose_g / titrant_density_kg_l, counted)
            given_ml = points.titrant_ml[-1]
            if given_ml + dose_ml > ceiling_ml:
                raise CeilingError(
                    f"{given_ml:.2f} mL of titrant are in and the end point is not reached; the next dose would "
                    f"pass limits.titrant_per_run_ml ({ceiling_ml:.1f} mL)",
                    where=f"{bench.config.name}, titrate",
                    remedy="Check the titrant's strength and bottle, the pH probe, and the ceiling",
                )
            _demand_turning(bench)
            _dose(bench, notebook, dose_ml, counted)
            points.titrant_ml.append(given_ml + dose_ml)
            points.dose_sd_ml.append(pump.dose_walk_ml * dose_ml**0.5)
            noise_mv = points.noise_mv(probe.noise_mv)
            points.plateaus.append(settled_reading(bench, notebook, points.plateaus[-1].lag, noise_mv))
            notebook.show_point(points.titrant_ml[-1], points.plateaus[-1].emf_mv)
            _demand_response(bench, points, conditions, titrant_density_kg_l)
            _demand_mixing(bench, points)
    _remark_on_lag(notebook, probe.lag_s, points.plateaus[-1].lag)
    return curve, all(plateau.settled for plateau in points.plateaus)


def _so_far(bench: Bench, knowledge: Knowledge, salinity: float) -> SoFar | None:
    """Return what the readings come to under today's titre factor; None before the end point is in sight."""
    if knowledge.answered is not Answer.FITTED:
        return None
    titre = titre_at(bench.config.titre, bench.clock.now())
    umol_per_kg = (
        1e6 * float(knowledge.belief.theta[0]) * (bench.config.titre.factor if titre is None else titre.factor)
    )
    return SoFar(umol_per_kg, umol_kg_to_dkh(umol_per_kg, salinity))


def _demand_turning(bench: Bench) -> None:
    """Give no acid to a stirrer that its sensor, where the bench has one, does not see turning.

    Raises
    ------
    NotMixedError
        The sensor's value is outside its band.
    """
    sensor = bench.config.stirrer.sensor
    if sensor is None:
        return
    seen = bench.read("stirrer")
    bench.noticed.mixing_slow = not sensor.lowest <= seen.value <= sensor.highest
    bench.guard.scan()
    if bench.noticed.mixing_slow:
        raise NotMixedError(
            f"the stirrer's sensor says {seen.value:.0f} {seen.unit}, and it turns at {sensor.lowest:.0f} to "
            f"{sensor.highest:.0f}",
            where=f"{bench.config.name}, titrate",
            remedy="Check whether the stirrer turns, its bar is in place and nothing holds it",
        )


def _demand_response(bench: Bench, points: _Points, conditions: Conditions, titrant_density_kg_l: float) -> None:
    """Stop dosing when acid that must show does not: into a dead probe one could pour for ever.

    Raises
    ------
    NoResponseError
        What was given would have moved the electrode of any seawater, and it stands where it was.
    """
    acid_umol_kg = (
        points.titrant_ml[-1] * titrant_density_kg_l * conditions.titrant_mol_per_kg / conditions.sample_g * 1e6
    )
    moved_mv = points.plateaus[-1].emf_mv - points.plateaus[0].emf_mv
    noise_mv = points.noise_mv(bench.config.probes.ph.noise_mv)
    if acid_umol_kg < SHOWS_UMOL_KG or moved_mv > SHOWS_MV + 4.0 * noise_mv:
        return
    bench.noticed.titrant_unanswered = True
    bench.guard.scan()
    left_ml = bench.ledger.titrant_left_ml
    frozen = all(plateau.scatter_mv == 0.0 for plateau in points.plateaus[1:])
    likely = (
        "its signal does not move at all, not even by noise: the pH board or its plug"
        if frozen
        else f"the bottle may be empty: it holds {left_ml.low:.0f} to {left_ml.high:.0f} mL by the ledger"
        if left_ml.low < NEARLY_EMPTY_ML
        else "air in the titrant line, a pump that does not turn, a slipped tube, an empty bottle, or a dead probe"
    )
    raise NoResponseError(
        f"{acid_umol_kg:.0f} umol/kg of acid were given and the electrode moved by {moved_mv:+.1f} mV: {likely}",
        where=f"{bench.config.name}, titrate",
        remedy="Check the bottle, the titrant line and pump, and the pH probe in a buffer",
    )


def _demand_mixing(bench: Bench, points: _Points) -> None:
    """Stop dosing where acid does not mix: what is read beside a streak of it means nothing.

    Raises
    ------
    NotMixedError
        Two readings in a row did not settle, or settled many times more slowly than this electrode does.
    """
    limit_s = NOT_MIXED * bench.config.probes.ph.lag_s
    doubtful = [not plateau.settled or plateau.lag.lag_s > limit_s for plateau in points.plateaus[1:]]
    if doubtful[-2:] != [True, True]:
        return
    bench.noticed.mixing_slow = True
    bench.guard.scan()
    raise NotMixedError(
        f"after two doses in a row the electrode did not settle as it does ({bench.config.probes.ph.lag_s:.0f} s)",
        where=f"{bench.config.name}, titrate",
        remedy="Check whether the stirrer turns and its bar is in place, and whether the probe is clean. Then run "
        "`saltern calibrate ph`: it measures how fast the probe is now",
    )


def _remark_on_lag(notebook: Notebook, configured_s: float, learned: Lag) -> None:
    """Report an electrode that has become slow: its readings are extrapolated rightly, but it wants looking after."""
    if learned.lag_s > SLOW * configured_s:
        notebook.notice(
            Notice.ELECTRODE_SLOW,
            f"{Notice.ELECTRODE_SLOW.value}: it follows with {learned.lag_s:.0f} s, where probes.ph.lag_s says "
            f"{configured_s:.0f}; clean it, and check whether the stirrer turns",
        )
