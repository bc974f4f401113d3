"""`saltern recipe`: how to make up a carbonate standard, or the titrant."""

from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from saltern.cli.live import BenchOption

if TYPE_CHECKING:
    from saltern.chemistry.recipes import TitrantRecipe
    from saltern.config.tables import BenchConfig

DETERMINATIONS, SPARE = 4, 1.25
FINE_TAKES_G, COARSE_TAKES_G = 200.0, 5000.0


def recipe(
    what: Annotated[
        str, typer.Argument(help="carbonate (a standard of known alkalinity) or titrant (dilute acid).")
    ] = ("carbonate"),
    bench: BenchOption = None,
    alkalinity: Annotated[
        float, typer.Option(min=500, max=6000, help="Alkalinity of the standard, in umol/kg.")
    ] = 2400.0,
    scale_g: Annotated[float, typer.Option(min=0.0001, max=1.0, help="Resolution of the fine scale, in g.")] = 0.01,
    coarse_g: Annotated[float, typer.Option(min=0.01, max=10.0, help="Resolution of the coarse scale, in g.")] = 1.0,
    oven_c: Annotated[float, typer.Option(min=50, max=400, help="Highest temperature of your oven, in degC.")] = 250.0,
    nacl_blank: Annotated[
        float | None,
        typer.Option(min=-50, max=500, help="Alkalinity of the salt water alone, if you measured it, in umol/kg."),
    ] = None,
    mass_g: Annotated[
        float | None,
        typer.Option(min=100, max=5000, help="Mass of the standard, in g (default: enough for a standardisation)."),
    ] = None,
    mol_per_l: Annotated[
        float | None,
        typer.Option(min=0.006, max=0.5, help="Concentration of the titrant, in mol/L (default: the bench file's)."),
    ] = None,
    litres: Annotated[float, typer.Option(min=0.1, max=10, help="Volume of titrant, in L.")] = 1.0,
    stock_mol_per_l: Annotated[
        float, typer.Option("--from", min=0.05, max=12, help="Concentration of the acid that you have, in mol/L.")
    ] = 1.0,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON, and only JSON.")] = False,
) -> None:
    """Show how to make a standard of sodium carbonate in salt water, or a bottle of titrant, with two scales."""
    from saltern.config.loading import load_bench, shipped_config
    from saltern.config.paths import meant
    from saltern.errors import ConfigError

    named = meant(bench)
    config = load_bench(named if named is not None else shipped_config("bench-simulated.toml"))
    try:
        if what == "carbonate":
            _carbonate(config, alkalinity, mass_g, (scale_g, coarse_g), oven_c, nacl_blank, as_json=as_json)
        elif what == "titrant":
            strength = mol_per_l or config.titrant.concentration_mol_per_l
            _titrant(strength, litres, stock_mol_per_l, config.titrant.background, as_json=as_json)
        else:
            raise ConfigError(f"there is no recipe for {what!r}", where="recipe", remedy="Say carbonate or titrant")
    except ValueError as error:
        raise ConfigError(str(error), where=f"recipe {what}", remedy="See saltern recipe --help") from error


def _carbonate(
    config: "BenchConfig",
    alkalinity: float,
    mass_g: float | None,
    steps_g: tuple[float, float],
    oven_c: float,
    nacl_blank: float | None,
    *,
    as_json: bool,
) -> None:
    from saltern.chemistry.recipes import Scale, carbonate_recipe
    from saltern.cli.present import print_json, say, say_lines
    from saltern.procedures.rinse import plan_for

    one_ml = config.sample.volume_ml + plan_for(config).total_ml + 2.0 * config.sample.keep_wet_ml
    final_g = mass_g or round(SPARE * DETERMINATIONS * one_ml, -2)
    fine, coarse = Scale(steps_g[0], FINE_TAKES_G), Scale(steps_g[1], COARSE_TAKES_G)
    made = carbonate_recipe(alkalinity, final_g, fine, coarse, oven_c, nacl_blank)
    if as_json:
        print_json({"schema_version": 1, **asdict(made)})
        return
    say(f"A standard of {made.alkalinity_umol_kg:.1f} umol/kg, u {made.u_umol_kg:.1f} (k = 1), {made.final_g:.0f} g")
    say(f"1. {made.drying}", hanging=3)
    say(
        "2. The salt is sodium chloride of analytical grade without additives. The 0.02 % of magnesium carbonate that "
        "keeps table salt dry would add 194 umol/kg (calculated).",
        hanging=3,
    )
    say(
        f"3. Stock: {made.stock_carbonate_g:.2f} g of sodium carbonate (Na2CO3) on the fine scale, and "
        f"{made.stock_nacl_g:.1f} g of NaCl, made up with distilled water to {made.stock_g:.0f} g on the coarse one. "
        "Cover it: it takes up CO2.",
        hanging=3,
    )
    say(
        f"4. Standard: {made.take_stock_g:.2f} g of the stock on the fine scale, and {made.nacl_g:.1f} g of NaCl, made "
        f"up with distilled water to {made.final_g:.0f} g on the coarse one.",
        hanging=3,
    )
    say(
        f"5. saltern standardise --alkalinity {made.alkalinity_umol_kg:.1f} --u {made.u_umol_kg:.1f} --medium nacl. "
        "It keeps for days, closed; plain water instead of salt water would be evaluated wrongly.",
        hanging=3,
    )
    say("What its uncertainty is made of, umol/kg (k = 1):")
    for source, u in sorted(made.budget_umol_kg.items(), key=lambda row: -row[1]):
        say_lines([f"   {source:26}{u:6.2f}"])
    if nacl_blank is None:
        say(
            "The salt's alkali is assumed. `saltern blank` measures it; then say it with --nacl-blank, and it "
            "counts as known to 1 umol/kg.",
            indent=3,
        )


def _titrant(
    mol_per_l: float, litres: float, stock: float, background: Literal["water", "nacl"], *, as_json: bool
) -> None:
    from saltern.chemistry.recipes import titrant_recipe
    from saltern.cli.present import print_json, say

    made = titrant_recipe(mol_per_l, litres, stock, background)
    if as_json:
        print_json({"schema_version": 1, **asdict(made)})
        return
    say(f"{made.litres:g} L of titrant, {made.mol_per_l:g} mol/L hydrochloric acid")
    for caution in made.cautions:
        say(f"! {caution}", hanging=2)
    for number, step in enumerate(titrant_steps(made), start=1):
        say(f"{number}. {step}", hanging=3)


def titrant_steps(made: "TitrantRecipe") -> list[str]:
    """Return what to do, step by step, once the cautions are read."""
    salt = f"Dissolve {made.nacl_g:.1f} g of sodium chloride of analytical grade, without additives, in it."
    return [
        f"Put {0.8 * made.final_g:.0f} g of distilled water into the bottle, on a scale.",
        *([salt] if made.nacl_g > 0 else []),
        f"Add {made.stock_g:.1f} g ({made.stock_ml:.1f} mL) of the {made.stock_mol_per_l:g} mol/L acid, slowly, and "
        "stir.",
        f"Make it up with distilled water to {made.final_g:.0f} g, close it, and turn it over ten times.",
        f"saltern change-bottle --strength {made.mol_per_l:g} --u-percent 2, then standardise it: only a reference "
        "shows how strong it is.",
    ]
