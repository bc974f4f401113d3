"""`saltern check`: what is wrong with a bench file, and what follows from it."""

from pathlib import Path
from typing import Annotated

import typer

from saltern.cli.live import BenchOption


def check(
    bench_file: Annotated[
        Path | None, typer.Argument(help="Bench file (default: this computer's own, or else the simulated bench).")
    ] = None,
    bench: BenchOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON, and only JSON.")] = False,
    schema: Annotated[
        bool, typer.Option("--schema", help="Print the JSON Schema of bench files, for editors.")
    ] = False,
    rpc_schema: Annotated[
        bool, typer.Option("--rpc-schema", help="Print the methods of the service's socket and their parameters.")
    ] = False,
    everything: Annotated[
        bool, typer.Option("--all", help="Show every computed value, not only the most important ones.")
    ] = False,
    interlocks: Annotated[
        bool, typer.Option("--interlocks", help="Print the table of interlocks, as Markdown.")
    ] = False,
    explain_upgrade: Annotated[
        bool,
        typer.Option(
            "--explain-upgrade",
            help="List the settings that the version before accepted and this one refuses, with reasons and remedies.",
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
    words = sentences(here, others)
    _print(config.name, len(devices), found, amiss, as_table(), words, everything=everything)


def _explain_upgrade(name: str, changed: list[tuple[str, str, str, str]], *, as_json: bool) -> None:
    """Say what is refused that was accepted before, and end with the code of a bench file that is not well."""
    from saltern.cli.present import print_json, say

    if as_json:
        keys = ("where", "accepted_before", "wrong", "ways_out")
        print_json(
            {"schema_version": 1, "bench": name, "refused_now": [dict(zip(keys, row, strict=True)) for row in changed]}
        )
    elif not changed:
        say(f"{name}: nothing of this file was accepted before and is refused now")
    else:
        for where, accepted_before, wrong, ways_out in changed:
            say(f"{where} was accepted before, and is refused now.", style="bold")
            say(f"Before: {accepted_before}.", indent=2, hanging=4)
            say(f"What is wrong: {wrong}.", indent=2, hanging=4)
            say(f"Ways out: {ways_out}.", indent=2, hanging=4)
            say("")
    if changed:
        raise typer.Exit(2)


KEEPERS = (
    "a bottle lasts",
    "waste container lasts",
    "tank water taken",
    "salt that leaves with it, at salinity 35",
    "rinses",
)
"""The facts that a keeper asks for first; builders ask for all."""

LEFT_FOR_ALL = "More with --all: heights, volumes, times, interlocks, other parts."


def _print(
    name: str,
    devices: int,
    found: list[tuple[str, float, str]],
    amiss: list[str],
    interlocks: list[dict[str, str]],
    advice: list[str],
    *,
    everything: bool,
) -> None:
    from saltern.cli.present import console, say, say_lines
    from saltern.cli.present_lines import columns

    say(f"{name}: the file is well formed, {devices} devices, nothing claimed twice", hanging=2, style="bold")
    shown = found if everything else [fact for fact in found if fact[0] in KEEPERS]
    lines = columns([[label, f"{value:.4g}", unit] for label, value, unit in shown], left=frozenset({0, 2}))
    if len(max(lines, key=len)) > console().width:
        lines = [f"{label}: {value:.4g} {unit}".rstrip() for label, value, unit in shown]
    say_lines(lines)
    if everything:
        say("")
        say_lines(interlock_lines(interlocks, console().width), bold=1)
        say("")
        say("What one determination can reach, computed for the expected water", style="bold")
    for line in advice if everything else advice[:1]:
        say(line, indent=2 if everything else 0, hanging=4)
    for line in amiss:
        say(f"Look at: {line}", hanging=2, style="bold")
    if not amiss:
        say("Nothing to put right that can be computed. What cannot: prove every float and sensor by hand.", hanging=2)
    if not everything:
        say(LEFT_FOR_ALL, hanging=2, style="dim")


ALL_OF_A_ROW = 76
"""Columns of a screen from which on there is room for what an interlock leaves."""


def interlock_lines(interlocks: list[dict[str, str]], width: int) -> list[str]:
    """Return the interlocks as lines for a screen of this width; `saltern explain NAME` says the rest of each."""
    from saltern.cli.present_lines import columns

    names = ("interlock", "cuts", "leaves", "kind") if width >= ALL_OF_A_ROW else ("interlock", "cuts", "kind")
    return columns([list(names), *([row[name] for name in names] for row in interlocks)], left=frozenset(range(4)))
