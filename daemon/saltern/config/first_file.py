"""The first bench file: what only its keeper can know is asked, the rest comes from an example of the same wiring.

What a keeper has not measured yet is never stated better than it is known: gains of pumps are good to 2 % before their
calibration, an electrode to what new electrodes scatter, and a titre factor is left out until a reference was measured.
"""

from datetime import date
from pathlib import Path

import tomlkit
from tomlkit import TOMLDocument
from tomlkit.items import Item

from saltern.config.loading import bench_from, shipped_config
from saltern.config.questions import DAY_MARGIN, TITRANT_MARGIN, Answer, Answers, area_cm2, need_per_ml, volume_at_ml
from saltern.errors import ConfigError

WIRINGS = {
    "node": ("bench-node.toml", "pumps and floats on a pump node, boards on USB: recommended"),
    "serial": ("bench-serial.toml", "pumps and floats on the header, boards on USB"),
    "header": ("bench-header.toml", "pumps and floats on the header, probes on one I2C converter"),
    "simulated": ("bench-simulated.toml", "no hardware: the simulated bench, to try things out"),
}
"""By the word that chooses it: the example, and what it is wired like."""

GAIN_U_PERCENT = 2.0
"""Of a pump that nobody has calibrated here: makers' tubes differ by about as much (assumed)."""


def first_file(wiring: str, answers: Answers, on: date) -> str:
    """Return the text of a bench file, comments included.

    Parameters
    ----------
    wiring
        One of `WIRINGS`.
    answers
        To all of `QUESTIONS`.
    on
        The day, for the first line.

    Raises
    ------
    StartupError
        No bench could run so; every mistake is listed.
    """
    example, _ = WIRINGS[wiring]
    document = tomlkit.parse(shipped_config(example).read_text(encoding="utf-8"))
    for name, (value, comment) in _values(document, answers).items():
        _put(document, name, value, comment)
    for name in UNKNOWN_YET:
        _drop(document, name)
    for name in RATES:
        _uncomment(document, name)
    text = (
        f"# Written by `saltern init` on {on}. Values marked (asked) are yours; pins and ports are the example's.\n#\n"
    )
    text += tomlkit.dumps(document)
    bench_from(tomlkit.parse(text).unwrap(), where="the new bench file")
    return text


UNKNOWN_YET = (
    "titre.u_percent",
    "pumps.sample.repeatability_percent",
    "pumps.titrant.dose_walk_ml",
    "probes.ph.e7_u_mv",
    "probes.ph.slope_u_percent",
    "probes.ph.noise_mv",
)
"""Options of the example that say how well its keeper knew something: the defaults are those of a new bench."""


RATES = ("pumps.sample.drive.steps_per_s", "pumps.titrant.drive.steps_per_s")
"""Options whose comment says what the example's pumps give."""


def _values(document: TOMLDocument, answers: Answers) -> dict[str, tuple[Answer, str]]:
    """Return each option to set, with its comment."""

    def number(key: str) -> float:
        return float(answers[key])

    volume_ml = number("sample_ml")
    need_ml = need_per_ml(answers) * volume_ml
    run_ml = TITRANT_MARGIN * need_ml
    wet_ml = 1.25 * volume_at_ml(answers, max(number("ph_tip_mm"), number("conductivity_tip_mm")))
    spout_ml = volume_at_ml(answers, number("spout_mm"))
    float_ml = volume_at_ml(answers, number("overfill_switch_mm"))
    air_gap_mm = max(number("spout_mm") + 10.0, _float_of(document, "pumps.sample.line.outlet_mm"))
    uncalibrated = "before its calibration: saltern calibrate pump"
    return {
        "name": (str(answers["name"]), ""),
        "expected_dkh": (number("expected_dkh"), "(asked) guides the first determination alone"),
        "vessel.area_cm2": (round(area_cm2(answers), 3), "(asked) 100 mL stand 1000 / area_cm2 mm high"),
        "vessel.spout_mm": (number("spout_mm"), f"(asked) {spout_ml:.0f} mL: what comes above runs into the tray"),
        "vessel.overfill_switch_mm": (number("overfill_switch_mm"), f"(asked) {float_ml:.0f} mL"),
        "vessel.conductivity_tip_mm": (number("conductivity_tip_mm"), "(asked)"),
        "vessel.ph_tip_mm": (number("ph_tip_mm"), "(asked)"),
        "vessel.titrant_tip_mm": (number("titrant_tip_mm"), "(asked)"),
        "vessel.residue_ml": (number("residue_ml"), "(asked)"),
        "vessel.residue_u_ml": (max(0.2, 0.1 * number("residue_ml")), "until it was weighed several times"),
        "pumps.sample.ml_per_unit": (_gain(document, "sample", number("sample_ml_per_min")), f"(asked) {uncalibrated}"),
        "pumps.sample.gain_u_percent": (GAIN_U_PERCENT, uncalibrated),
        "pumps.sample.line.inlet_mm": (number("tank_surface_mm"), "(asked) the tank's surface"),
        "pumps.sample.line.outlet_mm": (air_gap_mm, "above the spout: an air gap"),
        "pumps.titrant.ml_per_unit": (
            _gain(document, "titrant", number("titrant_ml_per_min")),
            f"(asked) {uncalibrated}",
        ),
        "pumps.titrant.gain_u_percent": (GAIN_U_PERCENT, uncalibrated),
        "pumps.titrant.line.outlet_mm": (number("titrant_tip_mm"), "(asked) where it ends in the vessel"),
        "probes.conductivity.u_percent": (2.0, "before its calibration: saltern calibrate conductivity"),
        "sample.volume_ml": (volume_ml, "(asked)"),
        "sample.keep_wet_ml": (float(round(max(wet_ml, 6.0), 1)), "covers both tips, with a quarter more"),
        "titrant.concentration_mol_per_l": (number("titrant_mol_per_l"), "(asked) as the label says"),
        "titrant.concentration_u_percent": (2.0, "of a label, or of a mixture by kitchen means"),
        "titrant.bottle_ml": (number("titrant_bottle_ml"), "(asked)"),
        "waste.container_ml": (1000.0 * number("waste_container_l"), "(asked)"),
        "limits.titrant_per_run_ml": (
            float(round(run_ml, 1)),
            f"{TITRANT_MARGIN:g} times what {number('expected_dkh'):g} dKH needs",
        ),
        "limits.titrant_per_day_ml": (
            float(round(DAY_MARGIN * need_ml * max(1.0, 24.0 / number("every_h")) + run_ml, 1)),
            f"{DAY_MARGIN:g} times what the schedule needs",
        ),
        "limits.accept_u_umol_kg": (80.0, "until pumps are calibrated and a reference was measured; then lower it"),
        "schedule.every_h": (number("every_h"), "(asked)"),
        "schedule.time_zone": (str(answers["time_zone"]), "(asked)"),
    }


def _gain(document: TOMLDocument, pump: str, ml_per_min: float) -> float:
    """Return mL per step, or per second, of a pump that gives so much at the rate of the example's drive."""
    drive = document["pumps"][pump]["drive"]
    steps_per_s = float(drive.get("steps_per_s", 1.0))
    return float(f"{ml_per_min / 60.0 / steps_per_s:.6g}")


def _float_of(document: TOMLDocument, name: str) -> float:
    item: object = document
    for part in name.split("."):
        item = item[part]  # type: ignore[index]
    return float(item)  # type: ignore[arg-type]


def _put(document: TOMLDocument, name: str, value: Answer, comment: str) -> None:
    """Set an option by its dotted name; the comment of the example's value goes with that value."""
    *path, last = name.split(".")
    table = document
    for part in path:
        table = table[part]
    item: Item = tomlkit.item(value)
    if comment:
        item.comment(comment)
    table[last] = item


def _drop(document: TOMLDocument, name: str) -> None:
    *path, last = name.split(".")
    table = document
    for part in path:
        if part not in table:
            return
        table = table[part]
    table.pop(last, None)


def _uncomment(document: TOMLDocument, name: str) -> None:
    *path, last = name.split(".")
    table = document
    for part in path:
        table = table[part]
    if last in table:
        trivia = table[last].trivia
        trivia.comment = trivia.comment_ws = ""


def write_new(path: Path, text: str) -> None:
    """Write a bench file where there is none.

    Raises
    ------
    ConfigError
        There is one, or it cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError as error:
        raise ConfigError(
            "exists already and is left unchanged", where=str(path), remedy="Move it away, or name another file"
        ) from error
    except OSError as error:
        raise ConfigError(
            f"cannot be written ({error.strerror})",
            where=str(path),
            remedy="Name a file that you may write, or say it as root: sudo saltern init",
        ) from error
