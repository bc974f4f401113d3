"""`saltern evaluate`: the alkalinity of a titration curve in a file, by any method."""

from dataclasses import replace
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import typer

from saltern.chemistry.alkalinity_unit import AlkalinityUnit
from saltern.chemistry.endpoint.methods import DEFAULT, NAMES
from saltern.cli.method_option import method_option
from saltern.errors import ConfigError, CurveError

ALL = "all"


class MediumName(StrEnum):
    SEAWATER = "seawater"
    NACL = "nacl"


class Co2Name(StrEnum):
    OPEN = "open"
    CLOSED = "closed"
    PURGED = "purged"


def evaluate(
    curve: Annotated[
        Path, typer.Argument(help="CSV file with titrant_ml or titrant_g, emf_mv or ph, and temperature_c.")
    ],
    salinity: Annotated[float, typer.Option(min=0.1, max=45.0, help="Practical salinity of the sample.")],
    sample_ml: Annotated[float | None, typer.Option(min=0.1, max=5000.0, help="Sample volume, in mL.")] = None,
    sample_g: Annotated[float | None, typer.Option(min=0.1, max=5000.0, help="Sample mass, in g.")] = None,
    titrant_mol_per_kg: Annotated[
        float | None, typer.Option(min=1e-4, max=5.0, help="Acid concentration, in mol/kg.")
    ] = None,
    titrant_mol_per_l: Annotated[
        float | None, typer.Option(min=1e-4, max=5.0, help="Acid concentration, in mol/L.")
    ] = None,
    titrant_density_kg_l: Annotated[
        float | None,
        typer.Option(
            min=0.9,
            max=1.3,
            help="Density of the titrant, in kg/L (default: that of the acid in NaCl of the sample's salinity).",
        ),
    ] = None,
    medium: Annotated[MediumName, typer.Option(help="Medium of the sample.")] = MediumName.SEAWATER,
    method: Annotated[str, method_option(ALL, help="How to find the end point.")] = DEFAULT,
    slope_percent: Annotated[
        float | None, typer.Option(min=80, max=110, help="Electrode slope, in % of Nernst.")
    ] = None,
    co2: Annotated[
        Co2Name, typer.Option(help="Whether CO2 stayed in the sample while the curve was taken.")
    ] = Co2Name.OPEN,
    noise_mv: Annotated[
        float | None, typer.Option(min=0.001, max=50.0, help="Standard deviation of one reading, in mV.")
    ] = None,
    dose_cv: Annotated[
        float | None, typer.Option(min=0.0, max=0.5, help="Relative standard deviation of one dose.")
    ] = None,
    phosphate_umol_kg: Annotated[float, typer.Option(min=0.0, max=500.0, help="Total phosphate of the sample.")] = 0.0,
    phosphate_u: Annotated[
        float, typer.Option(min=0.0, max=500.0, help="Standard uncertainty of the phosphate.")
    ] = 0.0,
    silicate_umol_kg: Annotated[float, typer.Option(min=0.0, max=1000.0, help="Total silicate of the sample.")] = 0.0,
    silicate_u: Annotated[float, typer.Option(min=0.0, max=1000.0, help="Standard uncertainty of the silicate.")] = 0.0,
    borate_ratio: Annotated[
        float, typer.Option(min=0.0, max=5.0, help="Ratio of borate to that of natural seawater of this salinity.")
    ] = 1.0,
    borate_ratio_u: Annotated[
        float, typer.Option(min=0.0, max=5.0, help="Standard uncertainty of the borate ratio.")
    ] = 0.0,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON, and only JSON.")] = False,
) -> None:
    """Find the alkalinity of a titration curve."""
    from saltern.chemistry.endpoint.curve import Estimate
    from saltern.chemistry.endpoint.methods import method as method_named
    from saltern.cli.present import print_json
    from saltern.cli.present_curve import plot_curve, print_end_point

    question = _question(
        curve,
        salinity,
        sample_ml,
        sample_g,
        titrant_mol_per_kg,
        titrant_mol_per_l,
        titrant_density_kg_l,
        medium,
        slope_percent,
        co2,
        noise_mv,
        dose_cv,
    )
    titrated, conditions, priors = question
    conditions = replace(
        conditions,
        phosphate_umol_kg=Estimate(phosphate_umol_kg, phosphate_u),
        silicate_umol_kg=Estimate(silicate_umol_kg, silicate_u),
        borate_ratio=Estimate(borate_ratio, borate_ratio_u),
    )
    if method != ALL:
        try:
            answer = method_named(method).find(titrated, conditions, priors)
        except CurveError as error:
            raise CurveError(error.what, where=f"{curve}, {error.where}", remedy=error.remedy) from error
        if as_json:
            print_json({"schema_version": 1, **_as_json(answer, salinity)})
        else:
            print_end_point(answer, salinity, float(titrated.temperature_c[0]), AlkalinityUnit.DKH)
        return
    answers, refused = [], {}
    for name in NAMES:
        try:
            answers.append(method_named(name).find(titrated, conditions, priors))
        except CurveError as error:
            refused[name] = error
    if not answers:
        raise CurveError("no method can evaluate this curve", where=str(curve), remedy=str(refused[DEFAULT]))
    if as_json:
        print_json({"schema_version": 1, "methods": [_as_json(answer, salinity) for answer in answers]})
        return
    _print_side_by_side(answers, refused, salinity)
    per_g = conditions.titrant_mol_per_kg / conditions.sample_g * 1e6
    plot_curve(titrated, {a.method: a.alkalinity_umol_kg for a in answers}, per_g)


def _question(
    path: Path,
    salinity: float,
    sample_ml: float | None,
    sample_g: float | None,
    mol_per_kg: float | None,
    mol_per_l: float | None,
    density: float | None,
    medium: MediumName,
    slope_percent: float | None,
    co2: Co2Name,
    noise_mv: float | None,
    dose_cv: float | None,
) -> tuple[Any, Any, Any]:
    """Turn file and options into curve, conditions and priors."""
    import numpy as np

    from saltern.chemistry.endpoint.curve import Co2, Conditions, Curve, Estimate, Medium, Priors
    from saltern.chemistry.seawater import density_kg_l
    from saltern.chemistry.titrant import HCL_KG_L_PER_MOL_L
    from saltern.cli.curve_file import read_curve

    if (sample_ml is None) == (sample_g is None):
        raise ConfigError("give one of --sample-ml and --sample-g", where="evaluate", remedy="See `evaluate --help`")
    if (mol_per_kg is None) == (mol_per_l is None):
        raise ConfigError(
            "give one of --titrant-mol-per-kg and --titrant-mol-per-l",
            where="evaluate",
            remedy="See `evaluate --help`",
        )
    file = read_curve(path)
    t = float(file.temperature_c[0])
    water = density_kg_l(salinity, t)
    if density is None:
        density = water + HCL_KG_L_PER_MOL_L * float(mol_per_l or mol_per_kg or 0.0)
    titrant_g = file.titrant if file.titrant_is_mass else file.titrant * density
    doses = np.diff(titrant_g, prepend=0.0)
    conditions = Conditions(
        sample_g=float(sample_g if sample_g is not None else (sample_ml or 0.0) * water),
        salinity=salinity,
        titrant_mol_per_kg=float(mol_per_kg if mol_per_kg is not None else (mol_per_l or 0.0) / density),
        titrant_salinity=salinity,
        medium=Medium(medium.value),
        co2=Co2(co2.value),
    )
    titrated = Curve(
        titrant_g=titrant_g,
        emf_mv=file.emf_mv,
        temperature_c=file.temperature_c,
        dose_sd_g=None if dose_cv is None else dose_cv * doses,
    )
    slope = Estimate(1.0 if slope_percent is None else slope_percent / 100.0, 0.01)
    return titrated, conditions, Priors(slope=slope, noise_mv=noise_mv)


def _as_json(answer: Any, salinity: float) -> dict[str, Any]:
    from saltern.chemistry.units import umol_kg_to_dkh, umol_kg_to_meq_l

    value = answer.alkalinity_umol_kg
    return {
        "alkalinity": {
            "umol_per_kg": value,
            "u": answer.u_umol_kg,
            "dkh": umol_kg_to_dkh(value, salinity),
            "meq_per_l": umol_kg_to_meq_l(value, salinity),
        },
        "method": answer.method,
        "e0_mv": answer.e0_mv,
        "points_used": answer.points_used,
        "residual_mv": answer.residual_mv,
        "flags": list(answer.flags),
    }


def _print_side_by_side(answers: list[Any], refused: dict[str, CurveError], salinity: float) -> None:
    from rich.table import Table

    from saltern.chemistry.alkalinity_unit import COVERAGE
    from saltern.cli.present import alkalinity, console

    table = Table(box=None, pad_edge=False)
    for name in ("method", "umol/kg", "dKH", "E0, mV", "n", "off, mV", "flags"):
        left = name in ("method", "flags")
        table.add_column(name, justify="left" if left else "right", no_wrap=name != "flags")
    for a in answers:
        table.add_row(
            a.method,
            f"{a.alkalinity_umol_kg:.1f} ± {COVERAGE * a.u_umol_kg:.1f}",
            alkalinity(a.alkalinity_umol_kg, a.u_umol_kg, salinity, AlkalinityUnit.DKH),
            "–" if a.e0_mv is None else f"{a.e0_mv:.2f}",
            str(a.points_used),
            f"{a.residual_mv:.3f}",
            ", ".join(a.flags),
        )
    screen = console()
    screen.print(table)
    screen.print(
        "[dim]± is twice the standard uncertainty (k = 2). E0 is that of the total scale, n how many readings count, "
        "off what they are off the fit.[/dim]"
    )
    for name, error in refused.items():
        screen.print(f"[dim]{name}: {error.what}[/dim]")
