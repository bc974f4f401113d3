"""`saltern demo`: a day of a reef tank on the simulated bench, in some seconds."""

import sys
from pathlib import Path
from typing import Annotated, Any

import typer

SCENARIO = {
    "seed": 11,
    "days": 1.0,
    "tank": {"alkalinity_umol_kg": 2480.0, "consumption_dkh_per_day": 1.1, "dosed_dkh_per_day": 0.7},
}


def demo(
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON, and only JSON.")] = False,
) -> None:
    """Simulate one day of a reef tank: six determinations with the true values beside them, and one curve."""
    from saltern.chemistry.alkalinity_unit import AlkalinityUnit
    from saltern.cli.logs import quiet_logs
    from saltern.cli.present import console, print_json, print_simulation
    from saltern.cli.present_curve import plot_curve
    from saltern.cli.simulation import run
    from saltern.cli.twin import of_the_twin

    quiet_logs()
    done = 0

    def watch(step: Any) -> None:
        nonlocal done
        if as_json or step.titrant_ml is not None:
            return
        if sys.stdout.isatty():
            sys.stdout.write(f"\r{f'  {step.at_s / 3600.0:5.2f} h  {step.phase}':<72}\r")
        if step.phase == "done":
            done += 1
            sys.stdout.write(f"{f'  {step.at_s / 3600.0:5.2f} h  determination {done} done':<72}\n")

    if not as_json:
        console().print("A day of a 400 L reef tank on the simulated bench (virtual time):")
    kept: list[Any] = []
    outcome = run(of_the_twin("scenario").model_validate(SCENARIO), Path(), watch, kept)
    if as_json:
        print_json(outcome)
        return
    sys.stdout.write("\n")
    print_simulation(outcome, AlkalinityUnit.DKH)
    last = next((d for d in reversed(kept) if d.curve is not None and d.conditions is not None), None)
    if last is not None and last.end_point is not None:
        per_g = last.conditions.titrant_mol_per_kg / last.conditions.sample_g * 1e6
        sys.stdout.write("\nThe last titration:\n")
        plot_curve(last.curve, {"end point, umol/kg": last.end_point.alkalinity_umol_kg}, per_g)
