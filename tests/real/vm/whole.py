"""One whole determination in real time through kernel, libraries and the twin's physics; kept at each of its phases."""

import queue
import re
import time
from collections.abc import Iterator
from dataclasses import dataclass, field

from tests.real.vm.lab import Lab, Still
from tests.real.vm.outcome import Case, judged
from tests.real.vm.witness import Heard

DETERMINATION_WITHIN_S = 2400.0
BEGUN_WITHIN_S = 180.0
"""Of the machine's time: it takes some for a command line to start."""

LARGEST_ERROR_U = 3.0
NOTHING_YET = "look at the probes"
"""The first phase: nothing is driven yet, and nothing committed."""


@dataclass
class Phases:
    """Where the machine stood as each phase of a determination began, in order; and at rest, before and after."""

    booted: Still | None = None
    rest: Still | None = None
    during: dict[str, Still] = field(default_factory=dict)
    done: Still | None = None
    finished_after_s: float = 0.0  # of the machine's time, from the last phase kept


def bring_up(lab: Lab, phases: Phases) -> Iterator[Case]:
    """Boot, lay the bench file, start the unit by the README's own commands."""
    boot_s = lab.boot()
    asked = lab.saltern("init --from serial --usual")
    wrong = [] if asked.code == 0 else [asked.said[-600:]]
    checked = lab.saltern("check /etc/saltern/bench.toml")
    wrong += [] if "well formed" in checked.said else [checked.said[-600:]]
    yield judged("first day", "after sudo make install: saltern init, and its file is well formed", wrong)
    lab.lay_bench_file()  # whoever owns it puts in pins and ports
    lab.machine.must("udevadm settle; systemctl stop var-lib-saltern.mount; sync")
    phases.booted = lab.keep("booted")
    lab.machine.must("systemctl start var-lib-saltern.mount")
    yield judged("install", "the machine boots and its header and boards are there", lab.pins.troubles, boot_s=boot_s)
    checked = lab.saltern("check /etc/saltern/bench.toml")
    wrong = [] if checked.code == 0 else [f"exit {checked.code}: {checked.said[-400:]}"]
    yield judged("install", "saltern check", wrong)
    from_s = lab.pins.at_s
    started = lab.machine.run("systemctl enable --now saltern", 300.0)
    state = lab.state()
    wrong = [] if started.code == 0 and state["SubState"] == "running" else [f"{state} {lab.journal()[-600:]}"]
    yield judged("install", "systemctl enable --now saltern", wrong, ready_s=lab.pins.at_s - from_s)
    yield judged("first day", "a bench that nobody has tried is held, with its checklist", _not_held(lab))
    lab.machine.must("systemctl disable saltern")
    commissioned = lab.commission()
    yield judged("install", "saltern commission --records-only", [] if commissioned.code == 0 else [commissioned.said])
    phases.rest = lab.keep("rest")


def _not_held(lab: Lab) -> list[str]:
    """Return what of a new bench is not held: it lists what is to be tried, and measures for nobody."""
    listed, status = lab.saltern("bring-up --list"), lab.saltern("status")
    steps = dict(lab.water.steps)
    asked = lab.saltern("measure --wait")
    wrong = [] if "Next: saltern bring-up" in listed.said else [f"bring-up --list: {listed.said[-600:]}"]
    wrong += [] if "next is computer" in " ".join(status.said.split()) else [f"status: {status.said[-600:]}"]
    wrong += [] if asked.code != 0 and "commissioned" in asked.said else [f"measure: {asked.said[-600:]}"]
    wrong += [] if lab.water.steps == steps else [f"{lab.water.steps} steps were moved"]
    low_s = lab.pins.seconds_until_low(lab.pins.at_s, 30.0)
    return wrong + ([] if low_s is not None else ["an output is driven"])


def determination(lab: Lab, phases: Phases, wanted: int, until: str | None = None) -> Iterator[Case]:
    """Measure once; keep the machine as each new phase begins, `wanted` of them at most.

    `until` is a phase to leave it at: what comes after is then not known.
    """
    begun: queue.SimpleQueue[str] = queue.SimpleQueue()
    seen: set[str] = set()

    def on_heard(one: Heard) -> None:
        if one.method == "step" and (phase := str(one.params["phase"])) not in seen:
            seen.add(phase)
            begun.put(phase)

    lab.witness.on_heard = on_heard
    begun_s = last_s = lab.pins.at_s
    here_s, heard = time.monotonic(), len(lab.witness.heard)
    lab.measure()
    done = truth = None
    while done is None and lab.pins.at_s - begun_s < DETERMINATION_WITHIN_S and lab.machine.alive:
        if not seen and lab.pins.at_s - begun_s > BEGUN_WITHIN_S:
            break  # it was refused
        done = lab.finished(heard, 0.05)
        try:
            phase = begun.get_nowait()
        except queue.Empty:
            continue
        if phase == "titrate":
            truth = lab.water.drawn_umol_kg()
        if len(phases.during) < wanted and phase != "done":
            last_s = lab.pins.at_s
            phases.during[phase] = lab.keep(re.sub(r"\W+", "-", phase))
        if phase == until:
            yield Case("determination", "whole, in real time", None, {}, f"left at {until!r}, as asked")
            return
    lab.witness.on_heard = lambda one: None
    phases.finished_after_s = lab.pins.at_s - last_s
    took_s = lab.pins.at_s - begun_s
    if done is None:
        yield Case(
            "determination", "whole, in real time", False, {"waited_s": took_s}, lab.asked() + lab.journal()[-1500:]
        )
        return
    found, u = done["alkalinity"]["umol_per_kg"], done["alkalinity"]["u"]
    wrong = [] if done["alkalinity"]["verdict"] == "accepted" else [str(done["alkalinity"]), str(done.get("remarks"))]
    error_u = abs(found - truth) / u if found is not None and u and truth is not None else float("inf")
    if error_u > LARGEST_ERROR_U:
        wrong.append(f"off by {error_u:.1f} u")
    yield judged(
        "determination", "whole, in real time", wrong, took_s=took_s, here_s=time.monotonic() - here_s,
        umol_per_kg=found or "none", u=u or "none",
        truth=truth or "none", error_u=error_u, **{f"{name}_steps": n for name, n in lab.water.steps.items()},
        phases_kept=len(phases.during),
    )  # fmt: skip
    time.sleep(3.0)
    records = lab.records()
    yield judged("determination", "its records", lab.violations(records), results=len(records.results))
    phases.done = lab.keep("done")
