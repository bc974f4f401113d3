"""What light, a biofilm, salt on tips and heads do to results at the wire: each alone as it is drawn, none, and all.

Benches of the unfriendly world that have passed their commissioning, a triplicate of a reference first and then a
determination every four hours. A quiet bench has the same truths but for noise and scatter, which are nothing, so that
what differs from the bench without is the effect. The water's column is no result: it is what stands in the vessel as
acid is about to come, against the tank's water.

    python -m tests.benchmarks.unfriendly_effects FILE.jsonl [first seed [benches [days [good|hobby]]]]
"""

import json
import sys
from pathlib import Path

import numpy as np

from saltern.cli.logs import quiet_logs
from tests.benchmarks.instrument_at_the_wire import at_the_wire, record

EFFECTS = {
    "light": "light_mv", "biofilm": "biofilm_umol_kg_per_h", "salt": "tip_dryness_percent",
    "head": "flow_loss_percent_per_m",
}  # fmt: skip
PLAYED = {"none": (), **{name: (name,) for name in EFFECTS}, "all": tuple(EFFECTS)}
QUIET = (
    "electrode_noise_mv", "sample_repeatability_percent", "titrant_dose_scatter_percent", "residue_scatter_ml",
    "conductivity_noise_percent",
)  # fmt: skip
SEED, BENCHES, DAYS = 5000, 4, 1.0


def scenario_of(instruments, seed, days, effects, *, quiet):
    """Return a bench whose other effects are nothing; these are as they are drawn."""
    scenario = at_the_wire(instruments, "unfriendly", seed, days)
    off = {truth: 0.0 for name, truth in EFFECTS.items() if name not in effects}
    still = dict.fromkeys(QUIET, 0.0) if quiet else {}
    table = scenario.model_dump(exclude_unset=True)
    table["twin"]["truth"] = {**scenario.twin.truth.given(), **off, **still}
    return type(scenario).model_validate(table)


def rows_of(found):
    """Return of each result of the tank: when, error, u, verdict, pH, its error and u, and the water's error."""
    rows = []
    for d in found["determinations"]:
        if d["source"] != "tank":
            continue
        alkalinity, ph, water = d["alkalinity"], d["ph_total"], d["before"]
        measured = alkalinity["umol_per_kg"] is not None
        of_ph = ph["value"] is not None
        rows.append(
            {
                "at_h": d["started_h"],
                "verdict": alkalinity["verdict"],
                "error": alkalinity["umol_per_kg"] - alkalinity["truth"] if measured else None,
                "u": alkalinity["u"],
                "ph": ph["value"],
                "ph_error": ph["value"] - ph["truth"] if of_ph else None,
                "ph_u": ph["u"],
                "water": water["alkalinity_g_umol_kg"] / water["mass_g"] - alkalinity["truth"] if water else None,
            }
        )
    return rows


def table(lines):
    """Print a row for each effect."""
    runs = {(r["seed"], r["quiet"], r["played"]): r for r in lines}
    print(f"{'':8}  {'water, umol/kg':31}{'result, umol/kg':29}{'pH':34}covered   of all  pH covered")
    for name in PLAYED:
        quiet, loud = ([r for r in lines if r["played"] == name and r["quiet"] is q] for q in (True, False))
        by = {"water": [], "error": [], "ph": []}
        for run in quiet:
            without = {round(row["at_h"], 1): row for row in runs[run["seed"], True, "none"]["rows"]}
            for row in run["rows"]:
                other = without.get(round(row["at_h"], 1))
                for key, found in by.items():
                    if other and row[key] is not None and other[key] is not None:
                        found.append(row[key] - other[key])
        rows = [row for run in loud for row in run["rows"] if row["error"] is not None]
        good = [row for row in rows if row["verdict"] in ("accepted", "provisional")]
        covered = 100.0 * np.mean([abs(row["error"]) <= 2.0 * row["u"] for row in good]) if good else float("nan")
        of_ph = [abs(row["ph_error"]) <= 2.0 * row["ph_u"] for row in good if row["ph_error"] is not None]
        print(
            f"{name:8}  {_said(by['water'], 3)}  {_said(by['error'], 2)}  {_said(by['ph'], 4)}  "
            f"{covered:6.1f} % {len(good):5d} {len(rows):4d}  {100.0 * np.mean(of_ph):6.1f} %"
        )


def _said(values, digits):
    if not values:
        return " " * 27
    v = np.array(values)
    return f"{v.mean():+.{digits}f} rms {np.sqrt((v**2).mean()):.{digits}f} max {np.abs(v).max():.{digits}f}"


def main(path, first_seed=SEED, benches=BENCHES, days=DAYS, instruments="good"):
    """Append what is not in the file yet, and print the table."""
    quiet_logs()
    file = Path(path)
    lines = [json.loads(line) for line in file.read_text().splitlines()] if file.exists() else []
    done = {(r["seed"], r["quiet"], r["played"]) for r in lines}
    for seed in range(int(first_seed), int(first_seed) + int(benches)):
        for quiet in (True, False):
            for played, effects in PLAYED.items():
                if (seed, quiet, played) in done:
                    continue
                found = record(scenario_of(instruments, seed, float(days), effects, quiet=quiet))
                drawn = {truth: found["real"][truth] for truth in EFFECTS.values()}
                lines.append({"seed": seed, "quiet": quiet, "played": played, "drawn": drawn, "rows": rows_of(found)})
                with file.open("a") as out:
                    out.write(json.dumps(lines[-1]) + "\n")
    table(lines)


if __name__ == "__main__":
    main(*sys.argv[1:])
