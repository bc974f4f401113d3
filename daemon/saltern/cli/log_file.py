"""Past notes of a keeper as a CSV file: read whole, or refused with what is wrong in which line."""

import csv
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from saltern.chemistry.alkalinity_unit import AlkalinityUnit, to_dkh
from saltern.errors import ConfigError
from saltern.model.logbook import ENTRY

QUANTITIES = {
    "alkalinity": "alkalinity_dkh",
    "calcium": "calcium_mg_l",
    "magnesium": "magnesium_mg_l",
    "phosphate": "phosphate_mg_l",
    "nitrate": "nitrate_mg_l",
}
"""Quantities as they are spoken of; their names in the records say the unit."""

MOST_ROWS = 5000
MOST_SAID = 8
AT, KIND = "at", "kind"
WORDS = (
    "chemical", "supplement", "amount", "unit", "ml_per_day", "litres", "alkalinity", "alkalinity_dkh", "salinity",
    "quantity", "value", "u", "method", "what", "text",
)  # fmt: skip
"""The columns beside `at` and `kind`: the keys of the entries, and `alkalinity` in the keeper's unit."""


def read_log(file: Path, unit: AlkalinityUnit) -> list[dict[str, Any]]:
    """Return the rows of a file as the socket takes them: line, time as it stands there, entry.

    Parameters
    ----------
    file
        Where the notes are.
    unit
        That of the column `alkalinity`, and of tests of it: the keeper's.

    Raises
    ------
    ConfigError
        It cannot be read, has other columns, or has a line that is not an entry: nothing of it counts then.
    """
    try:
        text = file.read_text(encoding="utf-8-sig")
    except OSError as error:
        what = f"cannot be read ({error.strerror})"
        raise ConfigError(what, where=str(file), remedy="Give a CSV file that is there") from error
    except UnicodeDecodeError as error:
        raise ConfigError("is not text in UTF-8", where=str(file), remedy="Save it as CSV in UTF-8") from error
    try:
        table = csv.DictReader(text.splitlines(), delimiter=_delimiter(text), strict=True)
        columns = [name.strip() for name in table.fieldnames or []]
        _demand_columns(file, columns)
        table.fieldnames = columns
        rows = [(table.line_num, row) for row in table]
    except csv.Error as error:
        raise ConfigError(f"is not CSV ({error})", where=str(file), remedy="Quote texts that hold commas") from error
    if not rows or len(rows) > MOST_ROWS:
        what = "has no entries" if not rows else f"has {len(rows)} entries, more than {MOST_ROWS}"
        raise ConfigError(what, where=str(file), remedy="One entry a line, below the header; split a longer file")
    found, wrong = [], []
    for line, row in rows:
        try:
            found.append(_row(line, row, unit))
        except ValueError as error:
            wrong.append(f"line {line}: {error}")
    if wrong:
        more = f"; and {len(wrong) - MOST_SAID} more" if len(wrong) > MOST_SAID else ""
        raise ConfigError(
            f"nothing was taken. {'; '.join(wrong[:MOST_SAID])}{more}",
            where=str(file),
            remedy="Correct these lines, and say it again",
        )
    return found


def _delimiter(text: str) -> str:
    header = text.split("\n", 1)[0]
    return ";" if header.count(";") > header.count(",") else ","


def _demand_columns(file: Path, columns: list[str]) -> None:
    unknown = [name for name in columns if name not in (AT, KIND, *WORDS)]
    if unknown or AT not in columns or KIND not in columns:
        what = (
            f"has columns that mean nothing here: {', '.join(unknown)}" if unknown else "needs the columns at and kind"
        )
        raise ConfigError(what, where=str(file), remedy=f"Columns are: at, kind, {', '.join(WORDS)}")


def _row(line: int, row: dict[str | None, Any], unit: AlkalinityUnit) -> dict[str, Any]:
    if None in row or None in row.values():
        msg = "it has another number of fields than the header"
        raise ValueError(msg)
    said = {str(name): text.strip() for name, text in row.items()}
    entry = {name: text for name, text in said.items() if name != AT and text}
    if not said[AT]:
        msg = "no time"
        raise ValueError(msg)
    entry = _in_the_records_words(entry, unit)
    try:
        known = ENTRY.validate_python(entry)
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"][1:]) or KIND
        msg = f"{place}: {first['msg'].removeprefix('Value error, ')}"
        raise ValueError(msg) from error
    return {"line": line, "at": said[AT], "entry": known.model_dump(mode="json")}


def _in_the_records_words(entry: dict[str, str], unit: AlkalinityUnit) -> dict[str, str]:
    """Return an entry with quantities as the records name them; what is not a number is left for its model to refuse.

    Raises
    ------
    ValueError
        An alkalinity is given twice.
    """
    if "alkalinity" in entry:
        if "alkalinity_dkh" in entry:
            msg = "alkalinity and alkalinity_dkh say the same: give one"
            raise ValueError(msg)
        return {
            **{name: text for name, text in entry.items() if name != "alkalinity"},
            "alkalinity_dkh": _dkh(entry["alkalinity"], unit),
        }
    if entry.get("quantity") == "alkalinity":
        in_dkh: dict[str, str] = {name: _dkh(entry[name], unit) for name in ("value", "u") if name in entry}
        return {**entry, **in_dkh, "quantity": QUANTITIES["alkalinity"]}
    named = entry.get("quantity", "")
    return {**entry, "quantity": QUANTITIES[named]} if named in QUANTITIES else entry


def _dkh(text: str, unit: AlkalinityUnit) -> str:
    try:
        return str(to_dkh(float(text), unit))
    except ValueError:
        return text
