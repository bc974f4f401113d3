"""Power cuts: the machine's process is killed at a random instant, and booted again from the disk as it was left.

Half of them fall anywhere in a determination, half about a commit: as a phase begins (its stage is committed then), or
as the result is kept. A boot is a kept machine that has just booted, with the disk that the cut left, which ext4 of the
distribution's kernel recovers as it is mounted; some are cold.
"""

import random
import time
from collections.abc import Iterator

from tests.real.vm.lab import Lab, Records, Still
from tests.real.vm.machine import MachineError
from tests.real.vm.outcome import Case, judged
from tests.real.vm.whole import NOTHING_YET, Phases

INTO_A_PHASE_S, ABOUT_A_STAGE_S, ABOUT_THE_RESULT_S = 9.0, 0.8, 2.5
PROVED_WITHIN_S = 900.0


def cuts(lab: Lab, phases: Phases, dice: random.Random, *, times: int, cold: int) -> Iterator[Case]:
    """Cut the power so often; after each, judge the records before the service starts, then let it start."""
    names = [name for name in phases.during if name != NOTHING_YET]
    for number in range(times):
        kind = ("determination", "stage", "determination", "result")[number % 4]
        if kind == "result" and phases.done is None:
            kind = "stage"
        name = names[-1] if kind == "result" else dice.choice(names)
        lab.resume(phases.during[name])
        cut_after_s = {
            "determination": dice.uniform(0.0, INTO_A_PHASE_S),
            "stage": dice.uniform(0.0, ABOUT_A_STAGE_S),
            "result": max(0.0, phases.finished_after_s + dice.uniform(-ABOUT_THE_RESULT_S, 0.5 * ABOUT_THE_RESULT_S)),
        }[kind]
        lab.wait(cut_after_s)
        lab.machine.power_cut()
        truth_ml = lab.water.volume_ml()
        accepted = [one["id"] for one in lab.witness.accepted()]
        case = f"{number + 1}: {kind}, {cut_after_s:.2f} s into {name!r}"
        try:
            wrong, figures = _booted_again(lab, phases.booted, cold=number < cold, proves=number % 10 == 9)
        except MachineError as error:
            yield judged("cuts", case, [f"not booted again: {error}"])
            continue
        yield judged("cuts", case, wrong, truth_ml=truth_ml, heard_accepted=len(accepted), **figures)


def _booted_again(lab: Lab, booted: Still | None, *, cold: bool, proves: bool) -> tuple[list[str], dict[str, object]]:
    begun_s = time.monotonic()
    if cold or booted is None:
        lab.boot()
    else:
        lab.boot_as(booted)
        lab.machine.must("systemctl start var-lib-saltern.mount")
    recovered = lab.machine.run("dmesg | grep -c 'EXT4-fs.*vdb.*recovery complete'").said.strip()
    records = lab.records()
    wrong = lab.violations(records)
    heard = len(lab.witness.heard)
    started = lab.machine.run("systemctl start saltern", 300.0)
    if started.code != 0 or not lab.answers_again(heard, 60.0):
        wrong.append(f"the service does not start: {lab.journal(20)[-900:]}")
    figures: dict[str, object] = {
        "ledger_ml": "none" if records.ledger is None else records.ledger[2],
        "stage": "none" if records.ledger is None else str(records.ledger[0]),
        "results": len(records.results),
        "ext4_recovered": recovered,
        "boot": "cold" if cold else "kept",
        "took_s": time.monotonic() - begun_s,
    }
    if proves and not wrong:
        proved = _proves_itself(lab, records)
        figures["after"] = proved
        wrong += [] if proved != "nothing" else ["after an unclean stop neither a proof nor a word of why not"]
        wrong += lab.violations(lab.records())
    return wrong, figures


def _proves_itself(lab: Lab, found: Records) -> str:
    """Return what the service does by itself after an unclean stop: the vessel proved empty, or the keeper told."""
    if found.ledger is None or found.ledger[0] is None:
        return "an orderly stop"
    until_s = lab.pins.at_s + PROVED_WITHIN_S
    while lab.pins.at_s < until_s and lab.machine.alive:
        lab.wait(10.0)
        records = lab.records()
        if "not-recovered" in records.alerts:
            return "not-recovered, told"
        if records.proofs > found.proofs:
            return "proved"
    return "nothing"
