"""Calibrating a pump: what it turns runs into a cylinder or onto a scale, some times, and is compared.

The waste pump calibrates itself: it empties a sample of known volume, and the conductivity cell says when.
"""

from math import sqrt
from statistics import mean, median, stdev
from typing import Annotated, Literal

from pydantic import Field
from pydantic.dataclasses import dataclass as validated

from saltern.bench.bench import Bench
from saltern.chemistry.seawater import density_kg_l
from saltern.chemistry.titrant import titrant_density_kg_l
from saltern.chemistry.volumetric import volume_ml
from saltern.config.tables import Pump
from saltern.model.calibration import Calibration, Cause, Kind, RefusedError, Value
from saltern.procedures.notebook import Notebook
from saltern.procedures.options import CHECKED
from saltern.procedures.prompts import Prompts
from saltern.procedures.vessel import NotEmptyError, empty, fill, keep_wet, wet_the_probes
from saltern.quality.scatter import learned

PRIME_LINES = 1.2
RUN_S = 60.0
"""A timed run of one minute (common practice)."""

DROP_ML = 0.02
"""About half a drop hangs at the tube's end, or does not (common practice)."""

SMALL_SIGMAS = 3.0
OUTLIER_PERCENT, OUTLIER_SIGMAS = 1.5, 4.0
SMALLEST_PART = 0.02  # of what a run should give: less, and nothing was collected
ROOM_FOR_GAIN = 1.05


@validated(frozen=True, config=CHECKED)
class PumpOptions:
    """How a pump is calibrated.

    Parameters
    ----------
    pump
        Which.
    times
        Replicates.
    by
        `mass`: on a scale, its buoyancy and the liquid's density taken into account; `volume`: in a cylinder.
    reading_u
        Standard uncertainty of one reading, in g or mL; of a scale with 0.01 g, or a cylinder of 100 mL, otherwise.
    volume_ml
        Of one run; what runs in a minute otherwise.
    liquid
        What is pumped.
    salinity
        Of tank water, for its density; as last measured otherwise.
    new_tube
        The last calibration is no measure of this one.
    small_doses
        After the runs one more, in so many small doses: does the pump give as much by little and little? 0: none.
    """

    pump: Literal["sample", "waste", "titrant"]
    times: Annotated[int, Field(ge=1, le=10)] = 3
    by: Literal["mass", "volume"] = "mass"
    reading_u: Annotated[float, Field(gt=0, le=10)] | None = None
    volume_ml: Annotated[float, Field(ge=0.1, le=1000)] | None = None
    liquid: Literal["water", "tank", "titrant"] | None = None
    salinity: Annotated[float, Field(ge=0, le=50)] | None = None
    new_tube: bool = False
    small_doses: Annotated[int, Field(ge=0, le=100)] = 0


USUAL_SALINITY = 35.0
KINDS = {"sample": Kind.SAMPLE_PUMP, "waste": Kind.WASTE_PUMP, "titrant": Kind.TITRANT_PUMP}


def calibrate_pump(bench: Bench, prompts: Prompts, options: PumpOptions) -> Calibration:
    """Calibrate a pump.

    Raises
    ------
    RefusedError
        Replicates scatter, one fell short, or the gain is far from the last.
    """
    notebook = Notebook(bench)
    wet_the_probes(bench, notebook)
    if options.pump == "waste":
        return _by_emptying(bench, prompts, notebook)
    empty(bench, notebook)
    prompts.confirm(
        f"{options.pump}-line-out",
        f"Take the end of the {options.pump} line out of the vessel and hold it over a beaker; its inlet stays in its "
        "liquid. Nothing may run into the vessel from now on",
    )
    config: Pump = getattr(bench.config.pumps, options.pump)
    run_ml = options.volume_ml or _one_run_ml(bench, options.pump)
    bench.collect(options.pump, PRIME_LINES * config.line.volume_ml)
    bench.wait(2.0)
    units, volumes, readings = _replicates(bench, prompts, options, run_ml)
    linearity = _by_small_doses(bench, prompts, options, run_ml) if options.small_doses > 1 else None
    prompts.confirm(f"{options.pump}-line-back", f"Put the end of the {options.pump} line back where it belongs")
    keep_wet(bench, notebook)
    return _judged(bench, prompts, options, config, units, volumes, readings, linearity)


def _one_run_ml(bench: Bench, pump: str) -> float:
    """Return what runs in a minute, if the vessel could take it: nobody is sure where the line's end hangs."""
    config: Pump = getattr(bench.config.pumps, pump)
    vessel, limits = bench.config.vessel, bench.config.limits
    room_ml = vessel.volume_at_ml(vessel.overfill_switch_mm) - bench.ledger.vessel_ml.high
    room_ml -= PRIME_LINES * config.line.volume_ml + 2.0
    gain = ROOM_FOR_GAIN + 0.03 * config.gain_u_percent
    most_ml = room_ml / gain if pump == "sample" else min(room_ml, limits.titrant_per_run_ml) / gain
    return min(RUN_S * config.ml_per_unit * bench.devices.pumps[pump].rate, most_ml)


def _replicates(
    bench: Bench, prompts: Prompts, options: PumpOptions, run_ml: float
) -> tuple[list[float], list[float], tuple[dict[str, Value], ...]]:
    units: list[float] = []
    volumes: list[float] = []
    readings: list[dict[str, Value]] = []
    unit = "g" if options.by == "mass" else "mL"
    vessel_of = "tared beaker on the scale" if options.by == "mass" else "empty measuring cylinder"
    density, temperature_c = 0.0, 0.0
    if options.by == "mass":
        temperature_c = prompts.number("liquid-temperature", "The liquid's temperature", "degC", 5.0, 40.0)
        density = _density_kg_l(bench, options, temperature_c)
    for turn in range(1, options.times + 1):
        prompts.confirm("tare", f"Run {turn} of {options.times}: hold the line's end over the {vessel_of}")
        turned = bench.collect(options.pump, run_ml)
        bench.wait(3.0)
        shown = prompts.number(
            "collected", f"What came, {run_ml:.1f} mL being asked for", unit, 0.0, 3.0 * run_ml + 1.0
        )
        ml = volume_ml(shown, density, temperature_c) if options.by == "mass" else shown
        if ml < SMALLEST_PART * run_ml:
            raise RefusedError(
                Cause.AIR_IN_LINE,
                f"nothing to speak of came: {ml:.2f} mL of {run_ml:.1f}",
                kind=KINDS[options.pump],
                remedy="Check the inlet, the tube and the pump head, and prime the line",
                readings=tuple(readings),
            )
        bench.found_outside(options.pump)
        units.append(turned)
        volumes.append(ml)
        readings.append({"run": float(turn), "units": turned, f"shown_{unit}": shown, "volume_ml": ml})
        prompts.see("gain", ml / turned, f"mL a {bench.devices.pumps[options.pump].unit.rstrip('s') or 's'}")
    return units, volumes, tuple(readings)


def _density_kg_l(bench: Bench, options: PumpOptions, temperature_c: float) -> float:
    titrant = bench.config.titrant
    liquid = options.liquid or ("tank" if options.pump == "sample" else "titrant")
    if liquid == "titrant":
        return titrant_density_kg_l(titrant.concentration_mol_per_l, titrant.background, temperature_c)
    salinity = USUAL_SALINITY if options.salinity is None else options.salinity
    return float(density_kg_l(salinity if liquid == "tank" else 0.0, temperature_c))


def _judged(
    bench: Bench,
    prompts: Prompts,
    options: PumpOptions,
    config: Pump,
    units: list[float],
    volumes: list[float],
    readings: tuple[dict[str, Value], ...],
    small_gain: float | None,
) -> Calibration:
    kind = KINDS[options.pump]
    gains = [ml / turned for ml, turned in zip(volumes, units, strict=True)]
    middle, count = median(gains), len(gains)
    reading_u = options.reading_u or (0.01 if options.by == "mass" else 0.5)
    one_u_percent = 100.0 * (reading_u**2 + DROP_ML**2) ** 0.5 / mean(volumes)
    expected = (one_u_percent**2 + config.repeatability_percent**2) ** 0.5
    limit = max(OUTLIER_PERCENT, OUTLIER_SIGMAS * expected)
    off = [100.0 * (gain / middle - 1.0) for gain in gains]
    worst = max(off, key=abs)
    if abs(worst) > limit:
        turn = off.index(worst) + 1
        cause = Cause.AIR_IN_LINE if worst < 0.0 else Cause.SCATTER
        raise RefusedError(
            cause,
            f"run {turn} gave {worst:+.1f} % against the others, and {limit:.1f} % is the limit",
            kind=kind,
            remedy="Prime until no bubble comes, check the inlet and the tube in the head, and begin again"
            if worst < 0.0
            else "Tare again, look for drops and a slipping tube, and begin again",
            readings=readings,
        )
    cv_percent = 100.0 * stdev(gains) / mean(gains) if count > 1 else expected
    u_percent = ((max(cv_percent, expected) / count**0.5) ** 2 + (100.0 * reading_u / mean(volumes)) ** 2) ** 0.5
    gain = mean(gains)
    bias_percent = 100.0 * (gain / config.ml_per_unit - 1.0)
    known = 4.0 * (config.gain_u_percent**2 + u_percent**2) ** 0.5
    if not options.new_tube and abs(bias_percent) > max(3.0, known):
        raise RefusedError(
            Cause.DIFFERS,
            f"the gain is {bias_percent:+.1f} % from the value in force, and {max(3.0, known):.1f} % is the limit",
            kind=kind,
            remedy="Check whether air is drawn in steadily, whether the right liquid and amount were read; if the tube "
            "is new, say --new-tube",
            readings=readings,
        )
    alkalinity = 2500.0
    words = (
        f"{gain:.6g} mL a unit, u {u_percent:.2f} %; runs scatter by {cv_percent:.2f} %; {bias_percent:+.2f} % from "
        f"the last: that was {abs(bias_percent) * alkalinity / 100.0:.0f} umol/kg at {alkalinity:.0f}, and the "
        f"calibration leaves {u_percent * alkalinity / 100.0:.0f}"
    )
    prompts.say(words)
    path = f"pumps.{options.pump}"
    values: dict[str, Value] = {
        f"{path}.ml_per_unit": gain,
        f"{path}.gain_u_percent": u_percent,
        f"{path}.calibrated_on": bench.clock.now().date().isoformat(),
    }
    if options.pump == "sample":
        shown = sqrt(max(0.0, cv_percent**2 - one_u_percent**2))  # a scale's own scatter is not the pump's
        scatter = learned(None, config.repeatability_percent, shown, count)
        values[f"{path}.repeatability_percent"] = scatter.sd
    statistics = {
        "gain_ml_per_unit": gain,
        "u_percent": u_percent,
        "cv_percent": cv_percent,
        "bias_percent": bias_percent,
        "replicates": float(count),
    }
    remarks: tuple[str, ...] = ()
    if small_gain is not None:
        off_percent = 100.0 * (small_gain / gain - 1.0)
        statistics["small_doses_percent"] = off_percent
        sure = abs(off_percent) > SMALL_SIGMAS * (u_percent**2 + expected**2) ** 0.5
        remarks = (
            f"in {options.small_doses} small doses it gave {off_percent:+.2f} % against one run: "
            + ("check the tube and the rollers, and dose by whole roller pitches" if sure else "no more than chance"),
        )
        prompts.say(remarks[0])
    return Calibration(kind, values, words, statistics, readings, remarks)


def _by_small_doses(bench: Bench, prompts: Prompts, options: PumpOptions, run_ml: float) -> float:
    """Give a run in small doses, and return its gain, mL a unit."""
    prompts.confirm("tare", f"One more, in {options.small_doses} small doses: tare, and hold the line's end over it")
    units = 0.0
    for _ in range(options.small_doses):
        units += bench.collect(options.pump, run_ml / options.small_doses)
        bench.wait(1.0)
    unit = "g" if options.by == "mass" else "mL"
    shown = prompts.number("collected", f"What came, {run_ml:.1f} mL being asked for", unit, 0.0, 3.0 * run_ml + 1.0)
    bench.found_outside(options.pump)
    if options.by == "volume":
        return shown / units
    temperature_c = prompts.number("liquid-temperature", "The liquid's temperature", "degC", 5.0, 40.0)
    return volume_ml(shown, _density_kg_l(bench, options, temperature_c), temperature_c) / units


def _by_emptying(bench: Bench, prompts: Prompts, notebook: Notebook) -> Calibration:
    """Empty a sample of known volume and take the time until the cell falls dry.

    Raises
    ------
    NotEmptyError
        It never did.
    RefusedError
        The rate is far from the last.
    """
    config, vessel = bench.config.pumps.waste, bench.config.vessel
    empty(bench, notebook)
    rates = []
    readings: list[dict[str, Value]] = []
    for turn in range(1, 3):
        volume = bench.config.sample.volume_ml
        fill(bench, notebook, volume, f"fill {turn}")
        drained = bench.drain()
        if not drained.proved or drained.dry_after_s is None:
            raise NotEmptyError(
                "the vessel is not proved empty", where="calibration of waste-pump", remedy="Check the waste line"
            )
        through_ml = volume + vessel.residue_ml - vessel.volume_at_ml(vessel.conductivity_tip_mm)
        rates.append(through_ml / drained.dry_after_s)
        readings.append({"run": float(turn), "volume_ml": through_ml, "seconds": drained.dry_after_s})
    keep_wet(bench, notebook)
    gain = mean(rates) / bench.devices.pumps["waste"].rate
    spread = 100.0 * abs(rates[0] - rates[1]) / mean(rates)
    bias_percent = 100.0 * (gain / config.ml_per_unit - 1.0)
    if abs(bias_percent) > max(30.0, 4.0 * config.gain_u_percent):
        raise RefusedError(
            Cause.DIFFERS,
            f"the rate is {bias_percent:+.0f} % from the value in force",
            kind=Kind.WASTE_PUMP,
            remedy="Look for a kink, a blockage or a worn tube in the waste line",
            readings=tuple(readings),
        )
    u_percent = max(2.0, spread, bench.config.pumps.sample.gain_u_percent)
    words = f"{gain:.4g} mL a unit, u {u_percent:.1f} %; {bias_percent:+.1f} % from the last"
    prompts.say(words)
    return Calibration(
        Kind.WASTE_PUMP,
        {
            "pumps.waste.ml_per_unit": gain,
            "pumps.waste.gain_u_percent": u_percent,
            "pumps.waste.calibrated_on": bench.clock.now().date().isoformat(),
        },
        words,
        {"gain_ml_per_unit": gain, "u_percent": u_percent, "bias_percent": bias_percent},
        tuple(readings),
    )
