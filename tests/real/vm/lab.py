"""A machine, what hangs on its pins and boards, and somebody outside who remembers: put together, and judged.

The judge reads a copy of the records with Python's own sqlite3, and compares them with what the water and the witness
know; it never asks Saltern.
"""

import json
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from tests.real.vm.benches import Table, filled, outputs
from tests.real.vm.image import Image
from tests.real.vm.machine import AS_LONG_AGAIN, Done, Kept, Machine
from tests.real.vm.pins import Pins
from tests.real.vm.water import Water
from tests.real.vm.witness import Heard, Witness
from tests.toml import to_toml

SALTERN, BENCH_FILE = "/opt/saltern/bin/saltern", "/etc/saltern/bench.toml"
STARTED_WITHIN_S = 300.0
JUDGE = """
import glob, json, os, shutil, sqlite3, subprocess
records = min(glob.glob("/var/lib/saltern/**/*.sqlite", recursive=True))
if subprocess.run(["systemctl", "is-active", "--quiet", "saltern"]).returncode == 0:
    base = sqlite3.connect(f"file:{records}?mode=ro", uri=True)  # a copy beside a writer need not be whole
else:  # nothing is touched before its next start: not even the log is played back
    shutil.rmtree("/run/judge", ignore_errors=True)
    os.mkdir("/run/judge")
    for name in glob.glob(records + "*"):
        if not name.endswith(".lock"):
            shutil.copy(name, "/run/judge")
    base = sqlite3.connect("/run/judge/" + os.path.basename(records))
ask = lambda query: base.execute(query).fetchall()
print(json.dumps({
    "integrity": ask("PRAGMA integrity_check")[0][0],
    "results": ask("SELECT id, alkalinity_verdict, alkalinity_umol_kg FROM determination ORDER BY id"),
    "ledger": (ask("SELECT stage, vessel_low_ml, vessel_high_ml FROM ledger ORDER BY id DESC LIMIT 1") or [None])[0],
    "proofs": ask("SELECT count(*) FROM ledger AS a JOIN ledger AS b ON b.id = a.id + 1 "
                  "WHERE b.vessel_high_ml < a.vessel_high_ml - 20.0")[0][0],
    "alerts": [code for (code,) in ask("SELECT code FROM alert ORDER BY id")],
}))
"""


@dataclass(frozen=True)
class Records:
    """What stands in the records."""

    integrity: str
    results: list[tuple[int, str, float | None]]
    ledger: tuple[str | None, float, float] | None
    alerts: list[str]
    proofs: int = 0  # how often the ledger came down: only a proof narrows it


@dataclass(frozen=True)
class Still:
    """Everything as it stood at one instant, inside and outside."""

    machine: Kept
    pins: tuple[object, ...]
    water: bytes
    heard: tuple[Heard, ...]


class Lab:
    """One bench on one machine."""

    def __init__(self, image: Image, table: Table, seed: int) -> None:
        self.table, self.lines = filled(table), outputs(table)
        self.witness = Witness()
        self.machine = Machine(image, lambda line: self.pins.hear(line), self.witness.hear)
        self.pins = Pins(self.machine.say_wire)
        self.water = Water(self.table, self.pins, seed)
        self._bench_text = to_toml(table).encode()

    # Life ---------------------------------------------------------------------------

    def boot(self) -> float:
        """Boot from the disks as they are; return the seconds."""
        self.water.booted()
        took_s = self.machine.boot()
        self.pins.watch(self.lines)
        return took_s

    def lay_bench_file(self) -> None:
        self.machine.put(BENCH_FILE, self._bench_text, "640")
        self.machine.must(f"chown root:saltern {BENCH_FILE}")

    def keep(self, name: str) -> Still:
        """Keep everything as it stands, and go on."""
        outside: list[tuple[tuple[object, ...], bytes]] = []
        kept = self.machine.keep(name, lambda: outside.append((self.pins.kept(), self.water.kept())))
        return Still(kept, *outside[0], tuple(self.witness.heard))

    def resume(self, still: Still) -> float:
        """Be again what was kept, inside and outside; return the seconds it took."""
        self.machine.power_cut()
        self.pins.take_up(still.pins)
        self.water.take_up(still.water)
        self.witness.heard[:] = list(still.heard)
        took_s = self.machine.take_up(still.machine)
        self.pins.next_look()
        return took_s

    def boot_as(self, booted: Still) -> float:
        """Boot, from a kept machine that has just booted, with the records' disk and the water as they are now."""
        self.machine.power_cut()
        self.water.booted()
        took_s = self.machine.take_up(booted.machine, records=self.machine.records)
        self.pins.watch(self.lines)
        self.machine.must("blockdev --flushbufs /dev/disk/by-label/records")
        self.machine.must(f"date -s @{time.time():.0f}")
        return took_s

    def wait(self, seconds: float) -> None:
        """Let so much of the machine's time pass."""
        until_s = self.pins.at_s + seconds
        while (left_s := until_s - self.pins.at_s) > 0.0 and self.machine.alive:
            time.sleep(min(0.02, left_s))

    def persist(self, *, lines: bool) -> None:
        """Let lines that are let go keep their level, as on a Pi's header, or fall to their pull."""
        self.machine.must(f"echo {'Y' if lines else 'N'} > /sys/module/gpio_sim/parameters/persist")

    # Saltern, as its user has it ------------------------------------------------------

    def saltern(self, words: str, within_s: float = 300.0) -> Done:
        return self.machine.run(f"cd /tmp && SALTERN_BENCH={BENCH_FILE} {SALTERN} {words}", within_s)

    def start(self, unit: str = "saltern") -> float:
        """Start the unit; return the seconds of the machine's time until it says that it is ready."""
        from_s = self.pins.at_s
        self.machine.must(f"systemctl start {unit}", STARTED_WITHIN_S)
        took_s = self.pins.at_s - from_s
        self.commission()
        return took_s

    def commission(self) -> Done:
        """Say that the bench may be used, as whoever has brought it up: until then nothing is pumped."""
        return self.saltern("commission --records-only 'the lab' 'the lines lead where the water says'")

    def state(self, unit: str = "saltern") -> dict[str, str]:
        """Return what systemd says of the unit."""
        names = "ActiveState,SubState,MainPID,NRestarts,Result"
        said = self.machine.must(f"systemctl show -p {names} {unit}")
        return dict(line.split("=", 1) for line in said.strip().splitlines())

    def journal(self, lines: int = 40, unit: str = "saltern") -> str:
        return self.machine.run(f"journalctl -u {unit} -n {lines} -o cat --no-pager").said

    def measure(self) -> None:
        """Ask for a determination, and watch it in the background."""
        asks = f"SALTERN_BENCH={BENCH_FILE} {SALTERN} measure --wait --json"
        self.machine.must(f"( {asks} ) >/tmp/measured.json 2>/tmp/measured.err </dev/null &")

    def asked(self) -> str:
        """Return what the command that asked for a determination has said."""
        return self.machine.run("cat /tmp/measured.err /tmp/measured.json").said

    def finished(self, after: int, within_s: float) -> dict[str, Any] | None:
        """Wait for a determination's end, later than the first `after` messages heard."""
        one = self._heard("finished", after, within_s)
        return None if one is None else one.params

    def enters(self, phase: str, after: int, within_s: float) -> bool:
        """Wait until the determination enters a phase; return whether it is in it still, and not beyond it."""

        def enters_or_ends(one: Heard) -> bool:
            return one.method == "finished" or (one.method == "step" and one.params["phase"] == phase)

        one = self._wait(enters_or_ends, after, within_s)
        steps = [other.params["phase"] for other in self.witness.heard[after:] if other.method == "step"]
        return one is not None and one.method == "step" and steps[-1] == phase

    def answers_again(self, after: int, within_s: float) -> bool:
        """Return whether a service answers the witness anew, later than the first `after` messages heard.

        To have connected is not enough: a socket may take a connection that nobody serves any more.
        """
        return self._heard("answer", after, within_s) is not None

    def _heard(self, method: str, after: int, within_s: float) -> Heard | None:
        return self._wait(lambda one: one.method == method, after, within_s)

    def _wait(self, wanted: Callable[[Heard], bool], after: int, within_s: float) -> Heard | None:
        """Wait so many seconds of the machine's own time."""
        until_s, longest = self.pins.at_s + within_s, time.monotonic() + AS_LONG_AGAIN * max(1.0, within_s)

        def expired() -> bool:
            return self.pins.at_s > until_s or not self.machine.alive or time.monotonic() > longest

        return self.witness.wait(wanted, after, expired)

    # Judging ------------------------------------------------------------------------

    def records(self) -> Records:
        """Read what the first bench of this machine has kept."""
        said = self.machine.must("python3 -", given=JUDGE.encode())
        found = json.loads(said.strip().splitlines()[-1])
        ledger = None if found["ledger"] is None else tuple(found["ledger"])
        return Records(
            found["integrity"], [tuple(row) for row in found["results"]], ledger, found["alerts"], found["proofs"]
        )

    def violations(self, records: Records) -> list[str]:
        """Return what is wrong with these records, by what the water and the witness know."""
        wrong = []
        if records.integrity != "ok":
            wrong.append(f"integrity: {records.integrity}")
        kept = {number for number, verdict, _ in records.results if verdict in ("accepted", "provisional")}
        lost = [one["id"] for one in self.witness.accepted() if one["id"] not in kept]
        if lost:
            wrong.append(f"accepted results lost: {lost}")
        truth_ml = self.water.volume_ml()
        if records.ledger is None and records.results:
            wrong.append("results, and no ledger")
        most_ml = self.water.world.capacity_ml if records.ledger is None else records.ledger[2]  # none yet: all of it
        if truth_ml > most_ml + 1e-6:
            wrong.append(f"the vessel holds {truth_ml:.2f} mL, the ledger promised at most {most_ml:.2f}")
        spilled = self.water.world.spilled
        if spilled.spilled_ml > 0.0:
            wrong.append(f"{spilled.spilled_ml:.1f} mL spilled")
        if spilled.titrant_to_tank_ml > 0.0:
            wrong.append(f"{spilled.titrant_to_tank_ml:.2f} mL of titrant went to the tank")
        return wrong


@contextmanager
def lab(image: Image, table: Table, seed: int) -> Iterator[Lab]:
    """Yield a machine with fresh disks, not yet booted; afterwards nothing of it is left."""
    here = Lab(image, table, seed)
    try:
        here.machine.fresh()
        yield here
    finally:
        here.machine.remove()
