"""A year of one bench, everything on: wear, new tubes, bottles, references, doses, faults, power cuts, a holiday.

    python -m tests.benchmarks.year [--days 365] [--json FILE]

Six determinations a day, the whole service against the twin at the wire. Wall and processor time, memory every thirty
days, size of the records, what was accepted and how far off it was: measured, and none of it is a limit.
"""

import argparse
import json
import math
import resource
import tempfile
import time
from collections import Counter
from contextlib import suppress
from pathlib import Path
from typing import Any

from saltern.cli.logs import quiet_logs
from saltern.cli.simulation import WARM_UP_S, Stage, bench_of
from saltern_drivers.twin.scenario import Scenario

HOLIDAY_D, HOLIDAY_FOR_D = 200, 14
TUBES_EVERY_D = 91
FAULTS_EVERY_D = 23
FAULTS: tuple[dict[str, Any], ...] = (
    {"kind": "power-cut", "for_h": 0.5},
    {"kind": "serial-renumbered", "for_h": 0.1},
    {"kind": "ph-noisy", "for_h": 2.0},
    {"kind": "conductivity-disconnected", "for_h": 1.0},
    {"kind": "process-killed"},
    {"kind": "waste-line-blocked", "for_h": 0.5},
    {"kind": "disk-full", "for_h": 1.0},
    {"kind": "temperature-open", "for_h": 0.5},
)
"""One every three weeks or so, in turn: each passes, and the bench measures again by itself, or its keeper looks."""


def scenario(days: int) -> dict[str, Any]:
    """Return a year's scenario, or that of its first days."""
    operators: list[dict[str, Any]] = []
    for day in range(TUBES_EVERY_D, days, TUBES_EVERY_D):
        at_h = 24.0 * day + 10.0
        operators += [
            {"at_h": at_h, "command": ["calibrate", "pump", "sample", "--new-tube"]},
            {"at_h": at_h + 1.0, "command": ["calibrate", "pump", "titrant", "--new-tube"]},
            {"at_h": at_h + 3.0, "command": ["standardise", "--alkalinity", "2200", "--u", "2"]},
        ]
    if days > HOLIDAY_D + HOLIDAY_FOR_D:
        operators.append({"at_h": 24.0 * HOLIDAY_D, "command": ["away", str(HOLIDAY_FOR_D)]})
        operators.append({"at_h": 24.0 * (HOLIDAY_D + HOLIDAY_FOR_D), "command": ["away", "0"]})
    events: list[dict[str, Any]] = []
    for week in range(1, days // 7):
        at_h = 24.0 * 7 * week + 18.0
        events.append({"at_h": at_h, "kind": "dose", "dkh": 0.2 + 0.05 * math.sin(week)})
        if week % 2 == 0:
            events.append(
                {"at_h": at_h + 1.0, "kind": "water-change", "litres": 40.0, "alkalinity_umol_kg": 2600, "salinity": 35}
            )
    for day, rate in ((60, 0.95), (150, 1.1), (260, 0.9)):
        if day < days:
            events += [
                {"at_h": 24.0 * day, "kind": "consumption", "dkh_per_day": rate},
                {"at_h": 24.0 * day + 30.0, "kind": "dosing", "dkh_per_day": rate},
            ]
    faults = [
        {"at_h": 24.0 * day + 5.3 * (n % 4), **FAULTS[n % len(FAULTS)]}
        for n, day in enumerate(range(FAULTS_EVERY_D, days, FAULTS_EVERY_D))
    ]
    return {
        "seed": 20,
        "days": float(days),
        "tank": {"volume_l": 400.0, "target_dkh": 7.2, "wander_dkh_per_day": 0.05},
        "twin": {
            "instruments": "good",
            "truth": {"sample_ramp_percent_per_month": -0.4, "titre_ramp_percent_per_month": 0.2},
        },
        "keeper": {"reference_every_d": 7.0},
        "schedule": {"every_h": 4.0},
        "operator": operators,
        "event": events,
        "fault": faults,
    }


def peak_mib() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def now_mib() -> float:
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * resource.getpagesize() / 2**20


def main(days: int = 365, to: Path | None = None) -> None:
    quiet_logs()
    played = Scenario.model_validate(scenario(days))
    memory: list[float] = []
    begun_s, begun_cpu = time.monotonic(), time.process_time()
    with tempfile.TemporaryDirectory() as folder:
        stage = Stage(played, bench_of(played, Path()), str(Path(folder) / "records.sqlite"))
        for day in [*range(30, days, 30), days]:
            stage.play_until(86400.0 * day + WARM_UP_S)
            memory.append(now_mib())
            print(f"  day {day:3}  {memory[-1]:6.0f} MiB  {time.monotonic() - begun_s:6.0f} s", flush=True)
        found = stage.log.finish(86400.0 * days + WARM_UP_S) | {"tank": stage.reef.as_json()}
        stage.close()
        size_mb = sum(each.stat().st_size for each in Path(folder).iterdir()) / 1e6
    wall_s, cpu_s = time.monotonic() - begun_s, time.process_time() - begun_cpu
    print_all(found, days, wall_s, cpu_s, size_mb, memory)
    if to is not None:
        to.write_text(json.dumps(found), encoding="utf-8")


def print_all(
    found: dict[str, Any], days: int, wall_s: float, cpu_s: float, size_mb: float, memory: list[float]
) -> None:
    of = [d["alkalinity"] for d in found["determinations"]]
    verdicts = Counter(a["verdict"] for a in of)
    off = [(a["umol_per_kg"] - a["truth"]) / a["u"] for a in of if a["verdict"] == "accepted"]
    codes = Counter(alert["code"] for alert in found["alerts"])
    print(f"{days} days: {wall_s:.0f} s, {cpu_s:.0f} s of processor time ({cpu_s / days:.2f} a day)")
    print(f"memory: {', '.join(f'{m:.0f}' for m in memory)} MiB at each thirtieth day; peak {peak_mib():.0f} MiB")
    print(f"records: {size_mb:.1f} MB, {size_mb / days * 365:.0f} MB a year")
    print(f"determinations: {dict(verdicts)}")
    with suppress(ZeroDivisionError):
        rms, within = math.sqrt(sum(z * z for z in off) / len(off)), sum(abs(z) < 2 for z in off) / len(off)
        print(f"accepted: rms {rms:.2f} u, {100 * within:.1f} % within 2 u, worst {max(map(abs, off)):.1f} u")
    print(f"trips: {dict(Counter(t['interlock'] for t in found['trips']))}")
    print(f"alerts: {dict(codes.most_common())}")
    print(f"truth: {found['truth']}; the ledger's bound held: {found['ledger_bound_held']}")
    print(f"findings: {[(f['at_h'] / 24, f['is'], f['cause'], f['size']) for f in found['tank']['findings']]}")


if __name__ == "__main__":
    asked = argparse.ArgumentParser(prog="python -m tests.benchmarks.year")
    asked.add_argument("--days", type=int, default=365)
    asked.add_argument("--json", type=Path, default=None)
    given = asked.parse_args()
    main(given.days, given.json)
