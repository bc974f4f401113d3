"""`saltern show N`: everything about one determination."""

from pathlib import Path
from typing import Annotated, Any

import typer

from saltern.cli.results import records_path


def show(
    number: Annotated[int, typer.Argument(min=1, help="Number of the determination.")],
    db: Annotated[Path | None, typer.Option(help="The records.")] = None,
    bench: Annotated[Path | None, typer.Option(help="Bench file; its records are used.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON, and only JSON.")] = False,
) -> None:
    """Show one determination: values, electrode, budget, curve, residuals, remarks."""
    from saltern.cli.present import print_json
    from saltern.clock import RealClock
    from saltern.records.as_json import determination_json
    from saltern.records.store import open_for_reading

    store = open_for_reading(records_path(db, bench), RealClock())
    d = store.determination(number)
    store.close()
    if as_json:
        print_json({"schema_version": 1, **determination_json(number, d), **_curve(d)})
    else:
        _print(number, d)


def _curve(d: Any) -> dict[str, Any]:
    if d.curve is None:
        return {"curve": None}
    return {
        "curve": {
            "titrant_g": d.curve.titrant_g.tolist(),
            "emf_mv": d.curve.emf_mv.tolist(),
            "temperature_c": d.curve.temperature_c.tolist(),
        }
    }


def _print(number: int, d: Any) -> None:
    from rich.table import Table

    from saltern.cli.present import console, dkh, plot_curve, plus_minus, print_end_point, reasons

    screen = console()
    screen.print(f"[bold]Determination {number}[/bold], {d.source.value}, {d.started_at:%Y-%m-%d %H:%M} UTC")
    table = Table(box=None, show_header=False, pad_edge=False)
    table.add_row("alkalinity", dkh(d.alkalinity.value, d.alkalinity.u, d.salinity.value), d.alkalinity.verdict.value)
    table.add_row("", f"{plus_minus(d.alkalinity, 1)} umol/kg", reasons(d.alkalinity))
    table.add_row("pH, total scale", plus_minus(d.ph_total, 3), d.ph_total.verdict.value)
    if d.ph_nbs is not None:
        table.add_row("pH, as a meter shows", f"{d.ph_nbs:.2f} (NBS)", "")
    table.add_row("salinity", plus_minus(d.salinity, 2), d.salinity.verdict.value)
    if d.temperature_c is not None:
        table.add_row("temperature", f"{d.temperature_c:.2f} °C", "")
    table.add_row("took", f"{(d.finished_s - d.started_s) / 60.0:.1f} min, {d.titrant_ml:.2f} mL of titrant", "")
    screen.print(table)
    for remark in d.remarks:
        screen.print(remark)
    if d.budget_umol_kg:
        screen.print("\nWhere the uncertainty comes from (umol/kg, k = 1)")
        largest = max(d.budget_umol_kg.values())
        for source, u in sorted(d.budget_umol_kg.items(), key=lambda item: -item[1]):
            screen.print(f"  {source:<34}{u:6.1f}  {'▇' * round(30 * u / largest)}")
    if d.end_point is not None:
        screen.print("\nThe evaluation")
        print_end_point(d.end_point, d.salinity.value or 35.0, d.temperature_c or 25.0)
        if len(d.end_point.standardised_residuals):
            screen.print("standardised residuals: " + " ".join(f"{r:+.1f}" for r in d.end_point.standardised_residuals))
    if d.curve is not None and d.conditions is not None:
        per_g = d.conditions.titrant_mol_per_kg / d.conditions.sample_g * 1e6
        ends = {} if d.end_point is None else {"end point": d.end_point.alkalinity_umol_kg}
        plot_curve(d.curve, ends, per_g)
