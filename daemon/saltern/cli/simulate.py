"""`saltern simulate`: the whole service against the twin in virtual time."""

from pathlib import Path
from typing import Annotated

import typer


def simulate(
    scenario: Annotated[Path, typer.Argument(help="Scenario file (TOML).", show_default=False)],
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON, and only JSON.")] = False,
) -> None:
    """Run the whole service against the simulated bench, for as many days as the scenario says."""
    from saltern.cli.logs import quiet_logs
    from saltern.cli.present import print_json, print_simulation
    from saltern.cli.simulation import load_scenario, run

    quiet_logs()
    outcome = run(load_scenario(scenario), scenario.parent)
    if as_json:
        print_json(outcome)
    else:
        print_simulation(outcome)
