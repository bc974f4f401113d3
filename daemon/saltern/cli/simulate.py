"""`saltern simulate`: the whole service against the twin in virtual time."""

from pathlib import Path
from typing import Annotated

import typer


def simulate(
    scenario: Annotated[Path | None, typer.Argument(help="Scenario file (TOML).", show_default=False)] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON, and only JSON.")] = False,
    schema: Annotated[
        bool, typer.Option("--schema", help="Print the JSON Schema of scenarios and run nothing.")
    ] = False,
) -> None:
    """Run the whole service against the simulated bench, for as many days as the scenario says."""
    from saltern.cli.logs import quiet_logs
    from saltern.cli.present import print_json, print_simulation
    from saltern.cli.simulation import bench_of, load_scenario, run

    if schema:
        from saltern.cli.twin import of_the_twin

        print_json(of_the_twin("scenario").model_json_schema())
        return
    if scenario is None:
        raise typer.BadParameter("name a scenario file, or ask for --schema", param_hint="SCENARIO")
    quiet_logs()
    asked = load_scenario(scenario)
    outcome = run(asked, scenario.parent)
    if as_json:
        print_json(outcome)
    else:
        print_simulation(outcome, bench_of(asked, scenario.parent).alkalinity_unit)
