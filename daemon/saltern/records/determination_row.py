"""A determination as a row of the records: its columns, JSON and blobs."""

import json
import sqlite3
from dataclasses import asdict
from datetime import datetime

import numpy as np

from saltern.chemistry.endpoint.curve import Co2, Conditions, EndPoint, Estimate, Finding, Medium, Priors
from saltern.model.determination import Determination, PhAt, Quantity, Source
from saltern.model.parts import Parts
from saltern.model.verdict import Reason, Verdict
from saltern.records import blobs


def row_of(d: Determination, boot_id: str) -> dict[str, object]:
    """Return the row that holds a determination."""
    return {
        "source": d.source.value,
        "started_utc": d.started_at.isoformat(timespec="milliseconds"),
        "started_monotonic_s": d.started_s,
        "finished_monotonic_s": d.finished_s,
        "ph_read_monotonic_s": d.ph_read_s,
        "boot_id": boot_id,
        "method": d.method,
        **_quantity_columns("alkalinity", "alkalinity_umol_kg", "alkalinity_u_umol_kg", d.alkalinity),
        **_quantity_columns("ph_total", "ph_total", "ph_total_u", d.ph_total),
        **_quantity_columns("salinity", "salinity", "salinity_u", d.salinity),
        "ph_nbs": d.ph_nbs,
        "temperature_c": d.temperature_c,
        "sample_g": d.sample_g,
        "titrant_ml": d.titrant_ml,
        "curve": None if d.curve is None else blobs.pack_curve(d.curve),
        "readings": blobs.pack_readings(d.readings),
        "conditions": None if d.conditions is None else json.dumps(asdict(d.conditions)),
        "priors": None if d.priors is None else json.dumps(asdict(d.priors)),
        "end_point": None if d.end_point is None else _end_point_json(d.end_point),
        "budget_umol_kg": json.dumps(d.budget_umol_kg),
        "calibrations": json.dumps(d.calibrations),
        "calibrated": json.dumps(d.calibrated),
        "remarks": json.dumps(list(d.remarks)),
        "budget_ph": json.dumps(d.budget_ph),
        "ph_at_tank": None if d.ph_at_tank is None else json.dumps(asdict(d.ph_at_tank)),
        "parts": json.dumps({name: asdict(q.parts) for name, q in _quantities(d).items() if q.parts is not None}),
    }


def _quantities(d: Determination) -> dict[str, Quantity]:
    return {"alkalinity": d.alkalinity, "ph_total": d.ph_total, "salinity": d.salinity}


def _quantity_columns(name: str, value: str, u: str, q: Quantity) -> dict[str, object]:
    return {
        value: q.value,
        u: q.u,
        f"{name}_verdict": q.verdict.value,
        f"{name}_reasons": json.dumps([reason.value for reason in q.reasons]),
    }


def _end_point_json(end_point: EndPoint) -> str:
    table = asdict(end_point)
    table["standardised_residuals"] = [float(r) for r in end_point.standardised_residuals]
    return json.dumps(table)


def _estimate(table: dict[str, float] | None) -> Estimate | None:
    return None if table is None else Estimate(**table)


def _conditions(text: str) -> Conditions:
    table = json.loads(text)
    for name in ("phosphate_umol_kg", "silicate_umol_kg", "borate_ratio"):
        table[name] = Estimate(**table[name])
    table["medium"], table["co2"] = Medium(table["medium"]), Co2(table["co2"])
    return Conditions(**table)


def _priors(text: str) -> Priors:
    table = json.loads(text)
    for name in ("e0_mv", "slope", "alkalinity_umol_kg", "carbon_umol_kg", "co2_loss_per_min", "bend_mv"):
        table[name] = _estimate(table.get(name))
    return Priors(**table)


def _end_point(text: str) -> EndPoint:
    table = json.loads(text)
    table["carbon_umol_kg"] = _estimate(table["carbon_umol_kg"])
    table["co2_loss_per_min"] = _estimate(table.get("co2_loss_per_min"))
    table["bend_mv"] = _estimate(table.get("bend_mv"))
    table["flags"] = tuple(table["flags"])
    table["findings"] = tuple(Finding(**finding) for finding in table.get("findings", ()))
    table["standardised_residuals"] = np.array(table["standardised_residuals"], dtype=float)
    return EndPoint(**table)


def determination_of(row: sqlite3.Row) -> Determination:
    """Return the determination in a row.

    Raises
    ------
    StorageError, ValueError, TypeError, KeyError, AttributeError, zlib.error
        The row holds none: it is damaged.
    """
    parts = {name: Parts(**table) for name, table in json.loads(row["parts"]).items()}

    def quantity(name: str, value: str, u: str) -> Quantity:
        reasons = tuple(Reason(reason) for reason in json.loads(row[f"{name}_reasons"]))
        return Quantity(row[value], row[u], Verdict(row[f"{name}_verdict"]), reasons, parts.get(name))

    return Determination(
        source=Source(row["source"]),
        started_at=datetime.fromisoformat(row["started_utc"]),
        started_s=row["started_monotonic_s"],
        finished_s=row["finished_monotonic_s"],
        ph_read_s=row["ph_read_monotonic_s"],
        method=row["method"],
        alkalinity=quantity("alkalinity", "alkalinity_umol_kg", "alkalinity_u_umol_kg"),
        ph_total=quantity("ph_total", "ph_total", "ph_total_u"),
        salinity=quantity("salinity", "salinity", "salinity_u"),
        ph_nbs=row["ph_nbs"],
        temperature_c=row["temperature_c"],
        sample_g=row["sample_g"],
        titrant_ml=row["titrant_ml"],
        curve=None if row["curve"] is None else blobs.unpack_curve(row["curve"]),
        readings=blobs.unpack_readings(row["readings"]),
        conditions=None if row["conditions"] is None else _conditions(row["conditions"]),
        priors=None if row["priors"] is None else _priors(row["priors"]),
        end_point=None if row["end_point"] is None else _end_point(row["end_point"]),
        budget_umol_kg=json.loads(row["budget_umol_kg"]),
        budget_ph=json.loads(row["budget_ph"]),
        ph_at_tank=None if row["ph_at_tank"] is None else PhAt(**json.loads(row["ph_at_tank"])),
        calibrations=json.loads(row["calibrations"]),
        calibrated=json.loads(row["calibrated"]),
        remarks=tuple(json.loads(row["remarks"])),
    )
