"""`saltern check`: what is wrong with a bench file, and what follows from it."""

from pathlib import Path
from typing import Annotated

import typer

from saltern.cli.live import BenchOption


def check(
    bench_file: Annotated[
        Path | None, typer.Argument(help="Bench file; without one this computer's own, or else the simulated bench.")
    ] = None,
    bench: BenchOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON, and only JSON.")] = False,
    schema: Annotated[
        bool, typer.Option("--schema", help="Print the JSON schema of bench files, for editors.")
    ] = False,
    rpc_schema: Annotated[
        bool, typer.Option("--rpc-schema", help="Print the methods of the service's socket and their parameters.")
    ] = False,
    interlocks: Annotated[
        bool, typer.Option("--interlocks", help="Print the table of interlocks, as Markdown.")
    ] = False,
    explain_upgrade: Annotated[
        bool,
        typer.Option(
            "--explain-upgrade",
            help="Say what of a bench file the version before accepted and this one refuses, why, and the ways out.",
        ),
    ] = False,
) -> None:
    """Check a bench file and its devices' options, and compute what follows; nothing is opened or moved."""
    from saltern.bench.devices import validate_devices
    from saltern.bench.hydraulics import changed_since
    from saltern.bench.interlocks import as_markdown, as_table
    from saltern.bench.libraries import missing_libraries
    from saltern.config.loading import bench_schema, load_bench, shipped_config
    from saltern.config.paths import meant
    from saltern.procedures.advice import reach, sentences, variants
    from saltern.procedures.arithmetic import facts, warnings

    if schema:
        from saltern.cli.present import print_json

        print_json(bench_schema())
        return
    if interlocks:
        typer.echo(as_markdown(), nl=False)
        return
    if rpc_schema:
        from saltern.cli.present import print_json
        from saltern.rpc.protocol import json_schema
        from saltern.running.guided import schemas

        print_json(json_schema(schemas()))
        return
    named = meant(bench_file if bench_file is not None else bench)
    config = load_bench(named if named is not None else shipped_config("bench-simulated.toml"))
    if explain_upgrade:
        _explain_upgrade(config.name, changed_since(config), as_json=as_json)
        return
    devices = validate_devices(config)
    found, amiss = facts(config), [*missing_libraries(config), *warnings(config)]
    here, others = reach(config), variants(config)
    if as_json:
        from saltern.cli.present import print_json

        print_json(
            {
                "schema_version": 1,
                "bench": config.name,
                "devices": [where for where, _, _ in devices],
                "facts": [{"name": name, "value": value, "unit": unit} for name, value, unit in found],
                "warnings": amiss,
                "reach": [
                    {
                        "what": r.what,
                        "u_umol_kg": r.u_umol_kg,
                        "budget_umol_kg": r.budget_umol_kg,
                        "titrant_ml": r.titrant_ml,
                        "fits": r.fits,
                    }
                    for r in (here, *others)
                ],
                "interlocks": as_table(),
            }
        )
        return
    _print(config.name, len(devices), found, amiss, as_table(), sentences(here, others))


def _explain_upgrade(name: str, changed: list[tuple[str, str, str, str]], *, as_json: bool) -> None:
    """Say what is refused that was accepted before, and end with the code of a bench file that is not well."""
    from saltern.cli.present import console, print_json

    if as_json:
        keys = ("where", "accepted_before", "wrong", "ways_out")
        print_json(
            {"schema_version": 1, "bench": name, "refused_now": [dict(zip(keys, row, strict=True)) for row in changed]}
        )
    elif not changed:
        console().print(f"[bold]{name}[/bold]: nothing of this file was accepted before and is refused now")
    else:
        for where, accepted_before, wrong, ways_out in changed:
            console().print(f"[bold]{where}[/bold] was accepted before, and is refused now.", markup=True)
            console().print(f"  Before: {accepted_before}.", markup=False)
            console().print(f"  What is wrong: {wrong}.", markup=False)
            console().print(f"  Ways out: {ways_out}.\n", markup=False)
    if changed:
        raise typer.Exit(2)


def _print(
    name: str,
    devices: int,
    found: list[tuple[str, float, str]],
    amiss: list[str],
    interlocks: list[dict[str, str]],
    advice: list[str],
) -> None:
    from rich.table import Table

    from saltern.cli.present import console

    screen = console()
    screen.print(f"[bold]{name}[/bold]: the file is well formed, {devices} devices, nothing claimed twice\n")
    table = Table(box=None, show_header=False, pad_edge=False)
    for label, value, unit in found:
        table.add_row(label, f"{value:.4g}", unit)
    screen.print(table)
    screen.print()
    matrix = Table(box=None, pad_edge=False)
    for column in ("interlock", "watches", "cuts", "leaves", "kind", "within"):
        matrix.add_column(column)
    for row in interlocks:
        matrix.add_row(*(row[column] for column in ("interlock", "watches", "cuts", "leaves", "kind", "within")))
    screen.print(matrix)
    screen.print()
    screen.print("[bold]What one determination can reach[/bold], computed for the expected water")
    for line in advice:
        screen.print(f"  {line}")
    screen.print()
    for line in amiss:
        screen.print(f"[bold]Look at:[/bold] {line}")
    if not amiss:
        screen.print("Nothing to put right that can be computed. What cannot: prove every float and sensor by hand.")
