"""Results and the keeper's log as CSV: units in the headers, times in ISO 8601 UTC: a table that stands by itself."""

import csv
import json
from collections.abc import Iterable
from datetime import datetime
from typing import TextIO

from saltern.chemistry.units import umol_kg_to_dkh, umol_kg_to_meq_l
from saltern.model.determination import Determination
from saltern.model.logbook import Logged

RESULTS = (
    "id",
    "source",
    "started_utc",
    "method",
    "alkalinity_umol_per_kg",
    "alkalinity_u_umol_per_kg",
    "alkalinity_dkh",
    "alkalinity_meq_per_l",
    "alkalinity_verdict",
    "alkalinity_reasons",
    "ph_total",
    "ph_total_u",
    "ph_total_verdict",
    "ph_nbs",
    "salinity_practical",
    "salinity_u",
    "salinity_verdict",
    "temperature_degc",
    "sample_g",
    "titrant_ml",
    "remarks",
)
LOG = ("id", "at_utc", "kind", "detail_json")


def write_results(file: TextIO, results: Iterable[tuple[int, Determination]]) -> int:
    """Write determinations; return how many. What was not measured is an empty field, never zero."""
    table, count = csv.writer(file), 0
    table.writerow(RESULTS)
    for number, d in results:
        a, salinity = d.alkalinity, d.salinity.value if d.salinity.value is not None else 35.0
        table.writerow(
            [
                number,
                d.source.value,
                _utc(d.started_at),
                d.method,
                _number(a.value, 3),
                _number(a.u, 3),
                "" if a.value is None else _number(umol_kg_to_dkh(a.value, salinity), 4),
                "" if a.value is None else _number(umol_kg_to_meq_l(a.value, salinity), 5),
                a.verdict.value,
                " ".join(reason.value for reason in a.reasons),
                _number(d.ph_total.value, 4),
                _number(d.ph_total.u, 4),
                d.ph_total.verdict.value,
                _number(d.ph_nbs, 3),
                _number(d.salinity.value, 3),
                _number(d.salinity.u, 3),
                d.salinity.verdict.value,
                _number(d.temperature_c, 2),
                _number(d.sample_g, 3),
                _number(d.titrant_ml, 4),
                "; ".join(d.remarks),
            ]
        )
        count += 1
    return count


def write_log(file: TextIO, logged: Iterable[Logged]) -> int:
    """Write the keeper's entries; return how many."""
    table, count = csv.writer(file), 0
    table.writerow(LOG)
    for entry in logged:
        detail = json.dumps(entry.entry.model_dump(exclude={"kind"}), sort_keys=True)
        table.writerow([entry.id, _utc(entry.at), entry.entry.kind, detail])
        count += 1
    return count


def _number(value: float | None, digits: int) -> str:
    return "" if value is None else f"{value:.{digits}f}"


def _utc(at: datetime) -> str:
    return at.isoformat(timespec="seconds")
