"""`make vm`: Saltern on the distribution's own kernel, emulated.

Exit 1 where something was violated, 2 where it cannot run.
"""

import argparse
import os
import random
import sys
import time
import traceback
from collections.abc import Iterator
from pathlib import Path

from rich.console import Console

from tests.real.vm import cuts, deaths, examples, unplugged, upkeep, whole
from tests.real.vm.at_once import at_once
from tests.real.vm.benches import serial_bench
from tests.real.vm.image import Image, NotHereError, image
from tests.real.vm.lab import Lab, lab
from tests.real.vm.machine import MachineError
from tests.real.vm.outcome import Case, exit_code, line, print_table, write_json

NOT_HAD = tuple(
    Case("beyond this machine", name, None, {}, why)
    for name, why in (
        ("levels in volts, currents, a real one-shot and its time", "the header is simulated"),
        ("jitter of pulses, seconds until safe-off", "the processor is emulated"),
        ("a drive that loses or reorders what it has acknowledged", "qemu's writes reach this computer in order"),
        ("an aarch64 kernel, a Raspberry Pi's firmware and its boot", "the distribution's amd64 kernel runs here"),
        ("config/bench-header.toml measuring", f"absent: {examples.ABSENT['bench-header.toml']}"),
        ("config/bench-node.toml measuring", f"absent: {examples.ABSENT['bench-node.toml']}"),
    )
)
SCENARIOS = ("examples", "deaths", "unplugged", "upkeep", "cuts")
KEPT, PHASES, QUICK_PHASES = 20, 10, 4


def main() -> int:
    """Run what is asked for, in order; print each case as it is known, and all of them at the end."""
    ask = argparse.ArgumentParser(prog="python -m tests.real.vm", description=__doc__)
    ask.add_argument("--quick", action="store_true", help="a part of each")
    ask.add_argument(
        "--only", nargs="+", choices=SCENARIOS, help="on one machine, after a determination; without it all, on two"
    )
    ask.add_argument("--cuts", type=int, help="power cuts (50; quick: 6)")
    ask.add_argument("--cold", type=int, help="of them, so many booted from cold (3; quick: 1)")
    ask.add_argument("--phases", type=int, help=f"phases tried, at most ({PHASES}; quick: {QUICK_PHASES})")
    ask.add_argument("--until", help="leave the determination at this phase and go on: for work on what comes after")
    ask.add_argument("--seed", type=int, default=13)
    ask.add_argument("--json", type=Path, help="write every case there")
    asked = ask.parse_args()
    begun_s = time.monotonic()
    try:
        disk = image()
    except NotHereError as lacking:
        print(f"not here: {lacking}", file=sys.stderr)
        return 2
    cases = on_one_machine(disk, asked, begun_s) if asked.only else at_once(_passed_on(asked))
    cases += NOT_HAD
    print_table(cases, Console(width=None if sys.stdout.isatty() else 180))
    seconds = time.monotonic() - begun_s
    print(f"{seconds / 60.0:.0f} minutes on {len(os.sched_getaffinity(0))} cores")
    if asked.json is not None:
        write_json(cases, asked.json, seconds)
    return exit_code(cases)


def _passed_on(asked: argparse.Namespace) -> list[str]:
    """Return what each of two machines is asked, as on the command line."""
    given = {name: value for name, value in vars(asked).items() if name not in ("only", "json") and value is not None}
    words = ["--quick"] if given.pop("quick") else []
    return words + [word for name, value in given.items() for word in (f"--{name}", str(value))]


def on_one_machine(disk: Image, asked: argparse.Namespace, begun_s: float) -> list[Case]:
    """Run the scenarios asked for; a machine that ends before them is one more case."""
    cases: list[Case] = []
    try:
        with lab(disk, serial_bench(), asked.seed) as here:
            for case in run(here, disk, asked):
                cases.append(case)
                print(f"{(time.monotonic() - begun_s) / 60.0:6.1f} min  {line(case)}", flush=True)
    except (MachineError, KeyboardInterrupt) as error:
        traceback.print_exc()
        cases.append(Case("machine", "runs to the end", False, {}, str(error)[-1000:] or "stopped by hand"))
    return cases


def run(here: Lab, disk: Image, asked: argparse.Namespace) -> Iterator[Case]:
    """Yield every case; a scenario that the machine itself breaks off is one more case, and the next begins."""
    del disk
    quick, dice, phases = asked.quick, random.Random(asked.seed), whole.Phases()
    yield from whole.bring_up(here, phases)
    yield from whole.determination(here, phases, KEPT, asked.until)
    during = phases.during
    names = [name for name in during if name != whole.NOTHING_YET]
    most = asked.phases or (QUICK_PHASES if quick else PHASES)
    tried = {name: during[name] for name in (names[:: max(1, len(names) // most)])[:most]}
    scenarios = {
        "examples": lambda: examples.example_benches(here, phases.booted) if phases.booted else iter(()),
        "deaths": lambda: deaths.deaths(here, tried, dice, quick=quick),
        "unplugged": lambda: unplugged.unplugged(here, dict(list(tried.items())[-1:]) if quick else tried, dice),
        "upkeep": lambda: _upkeep(here, phases),
        "cuts": lambda: cuts.cuts(
            here, phases, dice,
            times=asked.cuts if asked.cuts is not None else 6 if quick else 50,
            cold=asked.cold if asked.cold is not None else 1 if quick else 3,
        ),
    }  # fmt: skip
    for name in asked.only:
        try:
            yield from scenarios[name]()
        except MachineError as error:
            yield Case(name, "runs to its end", False, {}, str(error)[-1000:])


def _upkeep(here: Lab, phases: whole.Phases) -> Iterator[Case]:
    still = phases.done or phases.rest
    if still is None:
        return
    yield from upkeep.full_disk(here, still)
    yield from upkeep.two_benches(here, still)
    yield from upkeep.upgrade(here, still, "at rest")
    if phases.during:
        yield from upkeep.upgrade(here, list(phases.during.values())[-1], "in a determination")


if __name__ == "__main__":
    sys.exit(main())
