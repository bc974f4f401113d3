"""`saltern results`: what was measured."""

from pathlib import Path
from typing import Annotated, Any

import typer

from saltern.errors import ConfigError


def results(
    db: Annotated[Path | None, typer.Option(help="The records.")] = None,
    bench: Annotated[Path | None, typer.Option(help="Bench file; its records are used.")] = None,
    limit: Annotated[int, typer.Option(min=1, max=10_000, help="How many, newest.")] = 20,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON, and only JSON.")] = False,
) -> None:
    """List results, oldest first."""
    from saltern.cli.present import console, print_determinations, print_json
    from saltern.clock import RealClock
    from saltern.records.store import open_for_reading

    store = open_for_reading(records_path(db, bench), RealClock())
    rows = store.results(limit)[::-1]
    store.close()
    if as_json:
        print_json({"schema_version": 1, "determinations": [as_dict(number, d) for number, d in rows]})
    elif rows:
        print_determinations(rows)
    else:
        console().print("No determination has been kept yet.")


def records_path(db: Path | None, bench: Path | None) -> Path:
    """Return where the records are, from either option.

    Raises
    ------
    ConfigError
        Neither or both are given.
    """
    from saltern.config import load_bench

    if (db is None) == (bench is None):
        raise ConfigError("give one of --db and --bench", where="records", remedy="For example --db saltern.sqlite")
    if db is not None:
        return db
    assert bench is not None  # noqa: S101 - the check above
    return bench.parent / load_bench(bench).records.path


def as_dict(number: int, d: Any) -> dict[str, Any]:
    """Return a determination for JSON, k = 1."""
    from saltern.chemistry.units import umol_kg_to_dkh

    def quantity(q: Any, name: str) -> dict[str, Any]:
        return {name: q.value, "u": q.u, "verdict": q.verdict.value, "reasons": [r.value for r in q.reasons]}

    alkalinity = quantity(d.alkalinity, "umol_per_kg")
    salinity = d.salinity.value if d.salinity.value is not None else 35.0
    alkalinity["dkh"] = None if d.alkalinity.value is None else umol_kg_to_dkh(d.alkalinity.value, salinity)
    return {
        "id": number,
        "source": d.source.value,
        "started_utc": d.started_at.isoformat(),
        "method": d.method,
        "alkalinity": alkalinity,
        "ph_total": quantity(d.ph_total, "value"),
        "salinity": quantity(d.salinity, "value"),
        "ph_nbs": d.ph_nbs,
        "temperature_c": d.temperature_c,
        "titrant_ml": d.titrant_ml,
        "budget_umol_per_kg": d.budget_umol_kg,
        "remarks": list(d.remarks),
    }
