"""Reading a titration curve from a CSV file."""

import csv
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from saltern.chemistry.electrode import nernst_slope_mv
from saltern.chemistry.endpoint.curve import FloatArray
from saltern.errors import ConfigError

COLUMNS = ("titrant_ml", "titrant_g", "emf_mv", "ph", "temperature_c")
LEAST_READINGS = 3
UNIT_TRAPS = {
    "emf_v": "emf_mv, in mV",
    "emf": "emf_mv, in mV",
    "titrant_l": "titrant_ml, in mL",
    "titrant": "titrant_ml or titrant_g",
    "temperature_k": "temperature_c, in degC",
    "temperature": "temperature_c, in degC",
}
RANGES = {
    "titrant_ml": (0.0, 1000.0),
    "titrant_g": (0.0, 1000.0),
    "emf_mv": (-2000.0, 2000.0),
    "ph": (-20.0, 20.0),
    "temperature_c": (-2.0, 50.0),
}


@dataclass(frozen=True)
class CurveFile:
    """What the file holds; arrays of shape (n,). The signal rises with acid."""

    titrant: FloatArray
    titrant_is_mass: bool
    emf_mv: FloatArray
    temperature_c: FloatArray


def read_curve(path: Path) -> CurveFile:
    """Read a curve.

    Raises
    ------
    ConfigError
        With the file, the line and what to do, for anything that is not a curve.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise ConfigError(
            f"cannot be read ({error.strerror})", where=str(path), remedy="Give the path of a CSV file"
        ) from error
    except UnicodeDecodeError as error:
        raise ConfigError("is not text", where=str(path), remedy="Save it as CSV in UTF-8") from error
    lines = [
        (number, line)
        for number, line in enumerate(text.splitlines(), 1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if not lines:
        raise ConfigError("is empty", where=str(path), remedy="It needs a header line and readings")
    try:
        rows = [[cell.strip() for cell in row] for row in csv.reader(line for _, line in lines)]
    except csv.Error as error:
        raise ConfigError(f"is not CSV ({error})", where=str(path), remedy="Save it as plain CSV") from error
    if len(rows) != len(lines):
        raise ConfigError("has a quoted line break", where=str(path), remedy="Save it as plain CSV, one reading a line")
    header = [name.lower() for name in rows[0]]
    _check_header(header, f"{path}:{lines[0][0]}")
    table = {
        name: np.array(
            [
                _number(row, header.index(name), name, f"{path}:{number}")
                for row, (number, _) in zip(rows[1:], lines[1:], strict=True)
            ]
        )
        for name in COLUMNS
        if name in header
    }
    return _curve(table, path, [number for number, _ in lines[1:]])


def _check_header(header: list[str], where: str) -> None:
    for wrong, right in UNIT_TRAPS.items():
        if wrong in header:
            raise ConfigError(f"the column {wrong} is not known", where=where, remedy=f"Give {right}")
    for group in (("titrant_ml", "titrant_g"), ("emf_mv", "ph"), ("temperature_c",)):
        present = [name for name in group if name in header]
        if len(present) != 1 or header.count(present[0]) != 1:
            what = " or ".join(group)
            problem = f"the column {what} is missing" if not present else f"{what}: one is needed, not several"
            raise ConfigError(
                f"{problem}; the header is {', '.join(header)[:200]}", where=where, remedy="Name the columns so"
            )


def _number(row: list[str], index: int, name: str, where: str) -> float:
    cell = row[index] if index < len(row) else ""
    try:
        value = float(cell)
    except ValueError:
        value = math.nan
    low, high = RANGES[name]
    if not low <= value <= high:
        raise ConfigError(
            f"{name} is {cell[:40]!r}, not a number between {low:g} and {high:g}",
            where=where,
            remedy="Correct the reading, or take the line out",
        )
    return value


def _curve(table: dict[str, FloatArray], path: Path, numbers: list[int]) -> CurveFile:
    is_mass = "titrant_g" in table
    titrant = table["titrant_g" if is_mass else "titrant_ml"]
    if len(titrant) < LEAST_READINGS:
        raise ConfigError(
            f"has {len(titrant)} readings", where=str(path), remedy=f"At least {LEAST_READINGS} are needed"
        )
    back = np.flatnonzero(np.diff(titrant) < 0.0)
    if len(back):
        raise ConfigError(
            "the titrant decreases: the column is cumulative",
            where=f"{path}:{numbers[int(back[0]) + 1]}",
            remedy="Give the total added up to each reading",
        )
    if titrant[-1] <= titrant[0]:
        raise ConfigError("no titrant is added", where=str(path), remedy="Give the total added up to each reading")
    temperature = table["temperature_c"]
    signal = table["emf_mv"] if "emf_mv" in table else -nernst_slope_mv(float(temperature[0])) * table["ph"]
    if signal[-1] < signal[0]:
        signal = -signal
    return CurveFile(titrant, is_mass, signal, temperature)
