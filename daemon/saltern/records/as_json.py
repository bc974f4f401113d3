"""A determination as JSON, k = 1: one shape for commands, the socket and what is published."""

from dataclasses import asdict
from typing import Any

from saltern.chemistry.units import umol_kg_to_dkh
from saltern.model.determination import Determination, Quantity


def determination_json(number: int, d: Determination) -> dict[str, Any]:
    """Return a determination for JSON, k = 1."""

    def quantity(q: Quantity, name: str) -> dict[str, Any]:
        parts = q.parts
        return {
            name: q.value,
            "u": q.u,
            "u_own": None if parts is None else parts.u_own,
            "u_shared": None if parts is None else parts.u_shared,
            "epochs": {} if parts is None else dict(parts.epochs),
            "verdict": q.verdict.value,
            "reasons": [r.value for r in q.reasons],
        }

    alkalinity = quantity(d.alkalinity, "umol_per_kg")
    salinity = d.salinity.value if d.salinity.value is not None else 35.0
    alkalinity["dkh"] = None if d.alkalinity.value is None else umol_kg_to_dkh(d.alkalinity.value, salinity)
    return {
        "id": number,
        "source": d.source.value,
        "started_utc": d.started_at.isoformat(),
        "started_s": d.started_at.timestamp(),
        "method": d.method,
        "alkalinity": alkalinity,
        "ph_total": {
            **quantity(d.ph_total, "value"),
            "scale": "total",
            "temperature_c": d.temperature_c,
            "at_tank": None if d.ph_at_tank is None else asdict(d.ph_at_tank),
        },
        "salinity": quantity(d.salinity, "value"),
        "ph_nbs": d.ph_nbs,
        "temperature_c": d.temperature_c,
        "titrant_ml": d.titrant_ml,
        "budget_umol_per_kg": d.budget_umol_kg,
        "budget_ph": d.budget_ph,
        "remarks": list(d.remarks),
    }
