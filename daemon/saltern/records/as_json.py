"""A determination as JSON, k = 1: one shape for commands, the socket and what is published."""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from saltern.chemistry.units import umol_kg_to_dkh
from saltern.model.determination import Determination, Quantity
from saltern.tank.change import change_since_yesterday


def determination_json(number: int, d: Determination, past: Sequence[Determination] | None = None) -> dict[str, Any]:
    """Return a determination for JSON, k = 1; with what came before it, also its change since yesterday."""

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
        **({} if past is None else {"change": change_json(d, past)}),
        "ph_nbs": d.ph_nbs,
        "temperature_c": d.temperature_c,
        "titrant_ml": d.titrant_ml,
        "budget_umol_per_kg": d.budget_umol_kg,
        "budget_ph": d.budget_ph,
        "remarks": list(d.remarks),
    }


def change_json(d: Determination, past: Sequence[Determination]) -> dict[str, Any] | None:
    """Return for JSON, k = 1, how the alkalinity has changed since yesterday; None where nothing says it."""
    change = change_since_yesterday(d, past)
    if change is None:
        return None
    per_umol_kg = umol_kg_to_dkh(1.0, d.salinity.value if d.salinity.value is not None else 35.0)
    return {
        "hours": change.hours,
        "umol_per_kg": change.umol_kg,
        "u": change.u_umol_kg,
        "dkh": per_umol_kg * change.umol_kg,
        "u_dkh": per_umol_kg * change.u_umol_kg,
        "across_titre_factors": change.across,
    }
