"""What light, a biofilm, salt on tips and heads do to results at the wire: each alone as it is drawn, none, and all.

Benches of the unfriendly world that have passed their commissioning, a triplicate of a reference first and then a
determination every four hours. A quiet bench has the same truths but for noise and scatter, which are nothing, so that
what differs from the bench without is the effect. The water's column is no result: it is what stands in the vessel as
acid is about to come, against the tank's water.

`edges` plays a quiet bench that is as its file states, with each effect at the edge of what is drawn: a bottle that is
emptied after the reference, long rests, lamps that go on in the middle of a determination.

    python -m tests.benchmarks.unfriendly_effects FILE.jsonl [first seed [benches [days [good|hobby]]]]
    python -m tests.benchmarks.unfriendly_effects edges
"""

import json
import sys
from pathlib import Path

import numpy as np

from saltern.cli.logs import quiet_logs
from saltern.cli.simulation import WARM_UP_S, Stage, bench_of
from saltern.records.store import IN_MEMORY
from saltern_drivers.twin.instruments import CLASSES
from saltern_drivers.twin.scenario import REFERENCE, Scenario
from saltern_drivers.twin.truth_table import stated
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


# Edges --------------------------------------------------------------------------------------

FILM = {"biofilm_umol_kg_per_h": 100.0, "biofilm_alkalinity_share": 0.5}
SALT = {"tip_dryness_percent": 50.0, "crust_dissolves_in_ml": 100.0}
IN_AIR = {"titrant_tip_mm": 35.0}
HEAD = {"flow_loss_percent_per_m": 3.0}
EDGES = {
    "head, 100 mL left of 1000": (HEAD, {}, {"left_ml": 100.0}),
    "head, the tank within 20 mm": ({**HEAD, "tank_level_swing_mm": 20.0}, {}, {}),
    "biofilm, rests of 12 h": (FILM, {}, {"every_h": 12.0, "days": 1.1}),
    "salt, rests of 12 h": (SALT, {}, {"every_h": 12.0, "days": 1.1}),
    "salt, titrant's tip in air": ({**SALT, **IN_AIR}, IN_AIR, {"every_h": 12.0, "days": 1.1}),
    **{
        f"light of 1 mV from {from_h} h": ({"light_mv": 1.0, "light_from_h": from_h}, {}, {"days": 0.3})
        for from_h in (4.0, 4.1, 4.13)
    },
}
"""What is true with the effect, what is without, and what is played."""
LOWERED_S = 2.0 * 3600.0
"""A reference has been measured by then."""


def quiet_bench(truth, every_h=4.0, days=0.6, left_ml=None):
    """Return what a quiet bench says, as its file states but for these truths."""
    plan = {"seed": 11, "days": days, "schedule": {"every_h": every_h}}
    plan["operator"] = [{"at_h": 0.02, "command": REFERENCE}]
    as_filed = stated(bench_of(Scenario.model_validate(plan), Path()).model_dump(), CLASSES["good"])
    del as_filed["tank_volume_l"]
    plan["twin"] = {"truth": {**as_filed, **dict.fromkeys(QUIET, 0.0), **truth}}
    scenario = Scenario.model_validate(plan)
    stage = Stage(scenario, bench_of(scenario, Path()), IN_MEMORY)
    if left_ml is not None:
        stage.play_until(LOWERED_S)
        stage.play.world.bottle_ml = left_ml
    end_s = days * 86400.0 + WARM_UP_S
    stage.play_until(end_s)
    found = stage.log.finish(end_s)["determinations"]
    stage.close()
    return [d for d in found if d["source"] == "tank"]


def edges():
    """Print by how much results and pH differ for each effect."""
    for name, (truth, other, played) in EDGES.items():
        print(name)
        for with_it, without in zip(quiet_bench(truth, **played), quiet_bench(other, **played), strict=True):
            off, off_without = (d["alkalinity"]["umol_per_kg"] - d["alkalinity"]["truth"] for d in (with_it, without))
            ph = with_it["ph_total"]["value"] - without["ph_total"]["value"]
            u = with_it["alkalinity"]["u"]
            print(f"  {with_it['started_h']:5.1f} h: {off - off_without:+7.2f} umol/kg (u {u:.1f}), pH {ph:+.4f}")


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
                true = {truth: found["real"][truth] for truth in EFFECTS.values()}
                lines.append({"seed": seed, "quiet": quiet, "played": played, "true": true, "rows": rows_of(found)})
                with file.open("a") as out:
                    out.write(json.dumps(lines[-1]) + "\n")
    table(lines)


if __name__ == "__main__":
    if sys.argv[1:] == ["edges"]:
        quiet_logs()
        edges()
    else:
        main(*sys.argv[1:])
