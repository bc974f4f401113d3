"""`saltern recipe`: how to make up a carbonate standard, for this bench's vessel."""

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

DETERMINATIONS, SPARE = 4, 1.25


def recipe(
    bench: Annotated[Path, typer.Option("--bench", envvar="SALTERN_BENCH", help="Bench file.")],
    alkalinity: Annotated[float, typer.Option(min=500, max=6000, help="Wanted, umol/kg.")] = 2400.0,
    scale_g: Annotated[float, typer.Option(min=0.0001, max=1.0, help="Step of the scale, g.")] = 0.01,
    mass_g: Annotated[float | None, typer.Option(min=100, max=20000, help="Of the standard; enough otherwise.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON, and only JSON.")] = False,
) -> None:
    """Say how to make a standard of sodium carbonate in 0.7 mol/kg NaCl with a kitchen-grade scale."""
    from saltern.chemistry.standards import carbonate_recipe
    from saltern.cli.present import console, print_json
    from saltern.config.loading import load_bench
    from saltern.procedures.rinse import plan_for

    config = load_bench(bench)
    one_ml = config.sample.volume_ml + plan_for(config).total_ml + 2.0 * config.sample.keep_wet_ml
    made = carbonate_recipe(alkalinity, mass_g or round(SPARE * DETERMINATIONS * one_ml, -2), scale_g)
    if as_json:
        print_json({"schema_version": 1, **asdict(made)})
        return
    say = console().print
    say(f"A standard of {made.alkalinity_umol_kg:.1f} umol/kg, u {made.u_umol_kg:.1f} (k = 1), {made.final_g:.0f} g")
    say(f"1. {made.drying} {made.sodium_chloride}")
    say(
        f"2. Stock: {made.stock_carbonate_g:.2f} g of Na2CO3 and {made.stock_nacl_g:.1f} g of NaCl, made up with "
        f"distilled water to {made.stock_g:.2f} g. Cover it: it takes up CO2."
    )
    say(
        f"3. Standard: {made.take_stock_g:.2f} g of the stock and {made.nacl_g:.1f} g of NaCl, made up with distilled "
        f"water to {made.final_g:.2f} g."
    )
    say(
        f"4. saltern standardise --alkalinity {made.alkalinity_umol_kg:.1f} --u {made.u_umol_kg:.1f} --medium nacl. "
        "It keeps for days, closed; plain water instead of NaCl would be evaluated wrongly."
    )
