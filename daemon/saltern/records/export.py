"""Results and the keeper's log as tables that stand by themselves: CSV with units in its headers, Parquet with both.

One list of columns serves both. Times are UTC; what was not measured is an empty field or a null, never zero; every `u`
is a standard uncertainty (k = 1), in the unit of its quantity.
"""

import csv
import json
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Generic, TextIO, TypeVar

from saltern.chemistry.units import umol_kg_to_dkh, umol_kg_to_meq_l
from saltern.model.determination import Determination
from saltern.model.logbook import Logged

Said = TypeVar("Said")
Cell = str | int | float | datetime | None
Result = tuple[int, Determination]


@dataclass(frozen=True)
class Column(Generic[Said]):
    """One column.

    Parameters
    ----------
    name, unit
        Its header, and its unit; "1" for what has none.
    kind
        The type of what it holds.
    of
        Takes it out of a row.
    digits
        Decimals of a number in CSV.
    """

    name: str
    unit: str
    kind: type
    of: Callable[[Said], Cell]
    digits: int = 0


def _per_salinity(result: Result, convert: Callable[[float, float], float]) -> float | None:
    d = result[1]
    salinity = d.salinity.value if d.salinity.value is not None else 35.0
    return None if d.alkalinity.value is None else convert(d.alkalinity.value, salinity)


RESULT_COLUMNS: tuple[Column[Result], ...] = (
    Column("id", "1", int, lambda r: r[0]),
    Column("source", "1", str, lambda r: r[1].source.value),
    Column("started_utc", "UTC", datetime, lambda r: r[1].started_at),
    Column("method", "1", str, lambda r: r[1].method),
    Column("alkalinity_umol_per_kg", "umol/kg", float, lambda r: r[1].alkalinity.value, 3),
    Column("alkalinity_u_umol_per_kg", "umol/kg, k = 1", float, lambda r: r[1].alkalinity.u, 3),
    Column("alkalinity_dkh", "dKH", float, lambda r: _per_salinity(r, umol_kg_to_dkh), 4),
    Column("alkalinity_meq_per_l", "meq/L at 20 degC", float, lambda r: _per_salinity(r, umol_kg_to_meq_l), 5),
    Column("alkalinity_verdict", "1", str, lambda r: r[1].alkalinity.verdict.value),
    Column("alkalinity_reasons", "1", str, lambda r: " ".join(reason.value for reason in r[1].alkalinity.reasons)),
    Column("ph_total", "1, total scale", float, lambda r: r[1].ph_total.value, 4),
    Column("ph_total_u", "1, k = 1", float, lambda r: r[1].ph_total.u, 4),
    Column("ph_total_verdict", "1", str, lambda r: r[1].ph_total.verdict.value),
    Column("ph_nbs", "1, NBS scale", float, lambda r: r[1].ph_nbs, 3),
    Column("salinity_practical", "1, PSS-78", float, lambda r: r[1].salinity.value, 3),
    Column("salinity_u", "1, k = 1", float, lambda r: r[1].salinity.u, 3),
    Column("salinity_verdict", "1", str, lambda r: r[1].salinity.verdict.value),
    Column("temperature_degc", "degC", float, lambda r: r[1].temperature_c, 2),
    Column("sample_g", "g", float, lambda r: r[1].sample_g, 3),
    Column("titrant_ml", "mL", float, lambda r: r[1].titrant_ml, 4),
    Column("remarks", "1", str, lambda r: "; ".join(r[1].remarks)),
)
LOG_COLUMNS: tuple[Column[Logged], ...] = (
    Column("id", "1", int, lambda e: e.id),
    Column("at_utc", "UTC", datetime, lambda e: e.at),
    Column("kind", "1", str, lambda e: e.entry.kind),
    Column("detail_json", "1", str, lambda e: json.dumps(e.entry.model_dump(exclude={"kind"}), sort_keys=True)),
    Column("who", "1", str, lambda e: e.who),
    Column("corrects", "1", int, lambda e: e.corrects),
    Column("batch", "1", int, lambda e: e.batch),
    Column("undone_utc", "UTC", datetime, lambda e: e.undone_at),
    Column("undone_by", "1", str, lambda e: e.undone_by),
)
RESULTS = tuple(column.name for column in RESULT_COLUMNS)
LOG = tuple(column.name for column in LOG_COLUMNS)


def write_results(file: TextIO, results: Iterable[Result]) -> int:
    """Write determinations as CSV; return how many."""
    return _write_csv(file, RESULT_COLUMNS, results)


def write_log(file: TextIO, logged: Iterable[Logged]) -> int:
    """Write the keeper's entries as CSV, those that were undone with their marks; return how many."""
    return _write_csv(file, LOG_COLUMNS, logged)


def write_parquet(path: Path, columns: Sequence[Column[Said]], rows: Sequence[Said]) -> int:
    """Write rows as Apache Parquet, each column's unit in its metadata (`unit`); return how many.

    Raises
    ------
    ImportError
        pyarrow is not installed.
    OSError
        The file cannot be written.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    types = {int: pa.int64(), str: pa.string(), float: pa.float64(), datetime: pa.timestamp("us", tz="UTC")}
    fields = [pa.field(column.name, types[column.kind], metadata={"unit": column.unit}) for column in columns]
    cells = [[column.of(row) for row in rows] for column in columns]
    pq.write_table(pa.table(cells, schema=pa.schema(fields)), path)
    return len(rows)


def _write_csv(file: TextIO, columns: Sequence[Column[Said]], rows: Iterable[Said]) -> int:
    table, count = csv.writer(file), 0
    table.writerow([column.name for column in columns])
    for row in rows:
        table.writerow([_text(column.of(row), column.digits) for column in columns])
        count += 1
    return count


def _text(cell: Cell, digits: int) -> str | int:
    if cell is None:
        return ""
    if isinstance(cell, float):
        return f"{cell:.{digits}f}"
    if isinstance(cell, datetime):
        return cell.astimezone(UTC).isoformat(timespec="seconds")
    return cell
