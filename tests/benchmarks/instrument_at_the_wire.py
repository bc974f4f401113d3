"""Determinations of many benches at the wire, with what was true of each: the model of results is estimated from them.

Benches of both classes, in the near and in the unfriendly world, five days each at six a day, one after the other, each
with a tank of its own. A triplicate of a reference comes first, as a keeper is advised: it shows the service how the
electrode is bent and what the bench scatters by. Nothing of the tank's picture is asked for: what is recorded is the
instrument. A line of JSON for each bench is appended to a file, so that a run may be stopped and gone on with.

Those of the unfriendly world have passed their commissioning: heights, area, residue, bores, the permits' lapse and
the electrode's lag are what their files state, as of a bench whose keeper measured them. Otherwise most of them say
nothing: of the first seven that were drawn none gave a result that was accepted (an electrode six to eight times as
slow as its file says, or a permit that holds for too long).

    python -m tests.benchmarks.instrument_at_the_wire FILE.jsonl [seeds [days [first seed [world]]]]
"""

import json
import sys
import time
from itertools import product
from pathlib import Path

import numpy as np

from saltern.cli.logs import quiet_logs
from saltern.cli.simulation import WARM_UP_S, Stage, bench_of
from saltern.records.store import IN_MEMORY
from saltern_drivers.twin.instruments import CLASSES as INSTRUMENTS
from saltern_drivers.twin.scenario import REFERENCE, Scenario
from saltern_drivers.twin.truth_table import stated

DAYS = 5.0
BENCHES = 20
FIRST_SEED = 5000
REFERENCE_H = 0.02
COMMISSIONED = (
    "vessel_area_cm2", "spout_mm", "overfill_switch_mm", "conductivity_tip_mm", "ph_tip_mm", "titrant_tip_mm",
    "sample_outlet_mm", "draw_down_tip_mm", "tank_surface_mm", "bottle_surface_mm", "waste_outlet_mm", "residue_ml",
    "permit_lapse_s", "sample_bore_mm", "waste_bore_mm", "titrant_bore_mm", "electrode_lag_s",
)  # fmt: skip
"""Truths that are what the bench file states, in the unfriendly world."""

STREAM = 77
WORLDS = ("unfriendly", "near")


def scenario_of(instruments, world, seed, days=DAYS, **twin):
    """Return a bench with a tank of its own: alkalinity, salinity and pH are drawn."""
    random = np.random.default_rng([seed, STREAM])
    tank = {
        "alkalinity_umol_kg": float(random.uniform(2150.0, 2850.0)),
        "salinity": float(random.uniform(33.5, 36.0)),
        "ph_total": float(random.uniform(7.95, 8.2)),
    }
    first = [{"at_h": REFERENCE_H, "command": REFERENCE}]
    twin = {"instruments": instruments, "world": world, **twin}
    return Scenario.model_validate({"seed": seed, "days": days, "tank": tank, "operator": first, "twin": twin})


def at_the_wire(instruments, world, seed, days=DAYS):
    """Return a bench to be played at the wire; one of the unfriendly world has passed its commissioning."""
    scenario = scenario_of(instruments, world, seed, days)
    if world != "unfriendly":
        return scenario
    as_filed = stated(bench_of(scenario, Path()).model_dump(), INSTRUMENTS[instruments])
    return scenario_of(instruments, world, seed, days, truth={name: as_filed[name] for name in COMMISSIONED})


def record(scenario):
    """Play a bench at the wire; return what was found and what was true."""
    seen = []
    stage = Stage(scenario, bench_of(scenario, Path()), IN_MEMORY, lambda step: _look(stage, step, seen))
    end_s = scenario.days * 86400.0 + WARM_UP_S
    stage.play_until(end_s)
    entries = stage.log.finish(end_s)["determinations"]
    outcomes = stage.log.outcomes[: len(entries)]
    rows = [_row(entry, d, seen) for entry, d in zip(entries, outcomes, strict=True)]
    found = {
        "instruments": scenario.twin.instruments,
        "world": scenario.twin.world,
        "seed": scenario.seed,
        "real": stage.play.world.real,
        "believed": {
            "e7_mv": stage.play.bench["probes"]["ph"]["e7_mv"],
            "titrant_mol_per_l": stage.play.bench["titrant"]["concentration_mol_per_l"],
        },
        "determinations": rows,
    }
    stage.close()
    return found


def _look(stage, step, seen):
    """Note what is true as the acid is about to come, and once it has come."""
    if step.titrant_ml is not None or step.phase not in ("titrate", "evaluate"):
        return
    world, now_s = stage.play.world, stage.clock.monotonic()
    wander = getattr(world.electrode, "wander", None)
    seen.append(
        {
            "phase": step.phase,
            "at_s": now_s,
            "mass_g": world.vessel.mass_g,
            "alkalinity_g_umol_kg": world.vessel.alkalinity,
            "titrant_ml": world.titrant_since_empty_ml,
            "sample_ml_per_unit": world.pumps["sample"].ml_per_unit,
            "titrant_ml_per_unit": world.pumps["titrant"].ml_per_unit,
            "titrant_umol_ml": world.titrant_umol_ml,
            "excess": world.idle_line.excess,
            "vessel_c": world.temperature_c,
            "room_c": world.room_c,
            "wander_mv": 0.0 if wander is None else wander.at(now_s),
            "tank_salinity": world.tank.salinity,
            "tank_c": world.tank.temperature_c,
        }
    )


def _row(entry, d, seen):
    end = d.end_point
    then = {one["phase"]: one for one in seen if d.started_s <= one["at_s"] <= d.finished_s}
    return {
        **entry,
        "started_s": d.started_s,
        "ph_read_s": d.ph_read_s,
        "finished_s": d.finished_s,
        "titrant_ml": d.titrant_ml,
        "sample_g": d.sample_g,
        "temperature_c": d.temperature_c,
        "factor": d.calibrated.get("titre.factor"),
        "budget": d.budget_umol_kg,
        "budget_ph": d.budget_ph,
        "end_point": None
        if end is None
        else {
            "umol_kg": end.alkalinity_umol_kg,
            "u": end.u_umol_kg,
            "e0_mv": end.e0_mv,
            "e0_u_mv": end.e0_u_mv,
            "slope": end.slope,
            "slope_u": end.slope_u,
            "flags": list(end.flags),
            "points": end.points_used,
            "residual_mv": end.residual_mv,
            "loss": None if end.co2_loss_per_min is None else end.co2_loss_per_min.value,
            "loss_u": None if end.co2_loss_per_min is None else end.co2_loss_per_min.u,
        },
        "before": then.get("titrate"),
        "after": then.get("evaluate"),
    }


def main(path, benches=BENCHES, days=DAYS, first_seed=FIRST_SEED, only=""):
    """Append benches to the file until all seeds are in it; of one world, if it is named."""
    quiet_logs()
    file = Path(path)
    lines = file.read_text().splitlines() if file.exists() else []
    done = {(each["instruments"], each["world"], each["seed"]) for each in map(json.loads, lines)}
    for seed in range(int(first_seed), int(first_seed) + int(benches)):
        for world, instruments in product([only] if only else WORLDS, INSTRUMENTS):
            if (instruments, world, seed) in done:
                continue
            begun = time.process_time()
            found = record(at_the_wire(instruments, world, seed, float(days)))
            with file.open("a") as out:
                out.write(json.dumps(found) + "\n")
            count = len(found["determinations"])
            print(f"{instruments} {world} {seed}: {count} in {time.process_time() - begun:.0f} s", flush=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
