"""`saltern show N`: everything about one determination."""

from pathlib import Path
from typing import Annotated, Any

import typer

from saltern.chemistry.alkalinity_unit import AlkalinityUnit
from saltern.cli.method_option import method_option
from saltern.cli.results import Reader, reader_of, records_path


def show(
    number: Annotated[int, typer.Argument(min=1, help="Number of the determination.")],
    db: Annotated[Path | None, typer.Option(help="Records to read.")] = None,
    bench: Annotated[
        Path | None, typer.Option("--bench", envvar="SALTERN_BENCH", help="Bench file whose records are read.")
    ] = None,
    budget: Annotated[bool, typer.Option("--budget", help="Show only the sources of its uncertainty.")] = False,
    method: Annotated[str | None, method_option(help="Evaluate its curve again by this method.")] = None,
    under: Annotated[
        list[int] | None, typer.Option(help="Evaluate it again under this calibration. Can be repeated.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON, and only JSON.")] = False,
) -> None:
    """Show one determination: values, electrode, budget, curve, residuals, remarks; or evaluate it again."""
    from saltern.cli.present import print_json
    from saltern.clock import RealClock
    from saltern.records.as_json import determination_json
    from saltern.records.opening import open_for_reading

    store = open_for_reading(records_path(db, bench), RealClock())
    d = store.determination(number)
    past = [one for _, one in store.results(BEFORE)]
    if method is not None or under:
        from saltern.procedures.again import evaluated_again
        from saltern.records.calibrations import one

        options = {name: value for n in under or () for name, value in one(store, n).values.items()}
        store.close()
        end_point, again = evaluated_again(d, method, options)
        if as_json:
            print_json({"schema_version": 1, "id": number, "options": options, **_again(d, end_point, again)})
        else:
            _print_again(number, d, end_point, again, reader_of(db, bench))
        return
    store.close()
    if budget and not as_json:
        _print_budget(number, d)
        return
    if as_json:
        print_json({"schema_version": 1, **determination_json(number, d, past), **_curve(d)})
    else:
        _print(number, d, past, reader_of(db, bench))


BEFORE = 60
"""So many results are looked through for yesterday's."""


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


IMPROVE = {
    "curve": "a less noisy probe and finer doses; more readings (titration.most_readings)",
    "sample volume, from fill to fill": "a balance under the vessel, or a larger sample",
    "sample weighed, difference of two": "shield the balance from draught and tubes",
    "salinity": "calibrate the conductivity cell with two standards",
    "temperature": "calibrate the temperature probe",
    "expansion of the titrant": "keep the bottle at the vessel's temperature, and set titrant.temperature_u_k",
    "sample metered at another temperature": "a balance under the vessel, or a shorter line",
    "scatter beyond what is stated": "look for air in the lines; a balance under the vessel",
    "residue": "a waste tip nearer the floor, or a larger sample",
    "titre factor": "more replicates of the reference: saltern standardise --times 6",
    "age of the titre factor": "a reference more often: saltern standardise",
    "titrant strength": "a reference: saltern standardise",
    "titrant pump gain": "a reference: saltern standardise",
    "sample pump gain": "a reference: saltern standardise",
    "gain of the balance": "a reference: saltern standardise",
}
"""What to do about each source of uncertainty."""


def _print_budget(number: int, d: Any) -> None:
    """Print the sources as a table with bars, their sum, and what to improve first (GUM: variances add)."""
    from saltern.cli.present import console, say, say_lines
    from saltern.errors import ConfigError
    from saltern.procedures.budget import OWN, combined_u

    if not d.budget_umol_kg:
        raise ConfigError(f"determination {number} has no budget", where="show", remedy="It was void: see its reasons")
    bar = max(0, min(MOST_BAR, console().width - BEFORE_BAR))
    total = combined_u(d.budget_umol_kg)
    say(f"Where the uncertainty of determination {number} comes from (umol/kg, k = 1)")
    ordered = sorted(d.budget_umol_kg.items(), key=lambda item: -item[1])
    lines = []
    for source, u in ordered:
        share = (u / total) ** 2
        lines.append(f"  {source:<38}{u:6.1f}  {100 * share:4.0f} %  {'▇' * round(bar * share)}".rstrip())
    lines.append(f"  {'together':<38}{total:6.1f}")
    own = combined_u({source: u for source, u in d.budget_umol_kg.items() if source in OWN})
    lines.append(f"  {'of its own, and so of a change':<38}{own:6.1f}")
    say_lines(lines)
    first = ordered[0][0]
    say(f"To improve first: {first}" + (f" ({IMPROVE[first]})" if first in IMPROVE else ""))


MOST_BAR, BEFORE_BAR = 30, 56
"""Columns of the longest bar, and of what stands before one."""


def _again(d: Any, end_point: Any, umol_kg: float) -> dict[str, Any]:
    return {
        "method": end_point.method,
        "umol_per_kg": umol_kg,
        "u_of_the_curve": end_point.u_umol_kg,
        "was_umol_per_kg": d.alkalinity.value,
    }


def _print_again(number: int, d: Any, end_point: Any, umol_kg: float, reader: Reader) -> None:
    from saltern.cli.present import alkalinity, say
    from saltern.cli.present_curve import print_end_point

    salinity, unit, then = d.salinity.value, reader.unit, d.alkalinity
    now = alkalinity(umol_kg, end_point.u_umol_kg, salinity, unit)
    was = alkalinity(then.value, then.u, salinity, unit)
    say(f"Determination {number} evaluated again, and not changed: {now} {unit.value} (it says {was})")
    print_end_point(end_point, salinity or 35.0, d.temperature_c or 25.0, unit)


def _print(number: int, d: Any, past: list[Any], reader: Reader) -> None:
    from saltern.cli.present import console, say, say_lines
    from saltern.cli.present_curve import plot_curve, print_end_point
    from saltern.cli.present_lines import labelled
    from saltern.cli.present_time import moment
    from saltern.clock import RealClock

    width, now = console().width, RealClock().now()
    say(f"Determination {number}, {d.source.value}", style="bold")
    when = moment(d.started_at.isoformat(), max(now, d.started_at), reader.zone)
    for label, text in (("started", f"{when} ({reader.zone.key})"), *_values(d, past, reader.unit)):
        say_lines(labelled(label, text, width, label_width=22))
    for remark in d.remarks:
        say(remark)
    if d.budget_umol_kg:
        say("")
        _print_budget(number, d)
    if d.budget_ph:
        rows = sorted(d.budget_ph.items(), key=lambda item: -item[1])
        say("pH: " + ", ".join(f"{source} {u:.3f}" for source, u in rows if u >= 0.0005) + " (k = 1)", hanging=4)
    if d.end_point is not None:
        say("")
        say("The evaluation")
        print_end_point(d.end_point, d.salinity.value or 35.0, d.temperature_c or 25.0, reader.unit)
        if len(d.end_point.standardised_residuals):
            say("standardised residuals: " + " ".join(f"{r:+.1f}" for r in d.end_point.standardised_residuals))
    if d.curve is not None and d.conditions is not None:
        per_g = d.conditions.titrant_mol_per_kg / d.conditions.sample_g * 1e6
        ends = {} if d.end_point is None else {"end point": d.end_point.alkalinity_umol_kg}
        plot_curve(d.curve, ends, per_g)


def _values(d: Any, past: list[Any], unit: AlkalinityUnit) -> list[tuple[str, str]]:
    """Return what was measured, by labels, each with its verdict."""
    from saltern.cli.present import alkalinity, plus_minus, reasons
    from saltern.records.as_json import change_json
    from saltern.report import words

    a = d.alkalinity
    found = [
        ("alkalinity", f"{alkalinity(a.value, a.u, d.salinity.value, unit)} {unit.value}, {a.verdict.value}"),
        ("", f"{plus_minus(a, 1)} umol/kg"),
    ]
    if d.alkalinity.reasons:
        found.append(("because", f"{reasons(d.alkalinity)} (saltern explain)"))
    change = words.change({"change": change_json(d, past)}, unit)
    if change:
        found.append(("", change))
    at = "" if d.temperature_c is None else f" at {d.temperature_c:.1f} °C, in the vessel"
    found.append(("pH, total scale", f"{plus_minus(d.ph_total, 3)}{at}, {d.ph_total.verdict.value}"))
    if d.ph_at_tank is not None:
        tank = d.ph_at_tank
        found.append(("", f"{tank.value:.3f} ± {2.0 * tank.u:.3f} at {tank.temperature_c:.1f} °C, in the tank"))
    if d.ph_nbs is not None:
        found.append(("pH, as a meter shows", f"{d.ph_nbs:.2f} (NBS)"))
    found.append(("salinity", f"{plus_minus(d.salinity, 2)}, {d.salinity.verdict.value}"))
    if d.temperature_c is not None:
        found.append(("temperature", f"{d.temperature_c:.2f} °C"))
    found.append(("took", f"{(d.finished_s - d.started_s) / 60.0:.1f} min, {d.titrant_ml:.2f} mL of titrant"))
    return found
