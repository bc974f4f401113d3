"""Deaths of the service in each phase of a determination: killed, hung, stopped; with lines that persist or do not.

Every output is to be low at the simulated pins afterwards, and to stay so until the service is back.
"""

import random
from collections.abc import Iterator

from tests.real.vm.lab import Lab, Still
from tests.real.vm.outcome import Case, judged

LOW_WITHIN_S = {"kill": 90.0, "hang": 120.0, "stop": 90.0}
"""Of the machine's time: Python alone takes it a quarter of a minute to start, and the watchdog waits for 30 s."""

BACK_WITHIN_S = 300.0
INTO_THE_PHASE_S = 4.0
WAYS = tuple((how, persist) for how in ("kill", "hang", "stop") for persist in (True, False))
QUICK = (("kill", True), ("hang", True), ("stop", True), ("kill", False))
HOW = {"kill": "kill -9 {pid}", "hang": "kill -STOP {pid}", "stop": "systemctl stop saltern"}


def death(
    lab: Lab, phase: str, still: Still, how: str, *, persist: bool, comes_back: bool, dice: random.Random
) -> Case:
    """Let the service die so in this phase, and judge what the pins, the water and the records say."""
    lab.resume(still)
    lab.persist(lines=persist)
    pid = lab.state()["MainPID"]
    lab.pins.next_look()
    lab.wait(dice.uniform(0.0, INTO_THE_PHASE_S))
    driven, from_s, heard = _high(lab), lab.pins.at_s, len(lab.witness.heard)
    number = lab.machine.begin(HOW[how].format(pid=pid), 300.0)
    low_s = lab.pins.seconds_until_low(from_s, LOW_WITHIN_S[how])
    lab.machine.outcome(number, 300.0)
    wrong = [] if low_s is not None else [f"still driven {LOW_WITHIN_S[how]:.0f} s later: {_high(lab)}"]
    wrong += lab.violations(lab.records())
    figures: dict[str, float | int | str] = {"driven": len(driven), "low_after_s": "never" if low_s is None else low_s}
    if comes_back:
        back = lab.answers_again(heard, BACK_WITHIN_S)
        figures["back_after_s"] = lab.pins.at_s - from_s if back else "never"
        wrong += [] if back else [f"not back: {lab.state()} {lab.journal(15)[-800:]}"]
    if how == "stop" and (state := lab.state())["ActiveState"] != "inactive":
        wrong.append(f"after systemctl stop it is {state}")
    return judged("deaths", f"{how} in {phase!r}, lines {'persist' if persist else 'let go'}", wrong, **figures)


def deaths(lab: Lab, phases: dict[str, Still], dice: random.Random, *, quick: bool) -> Iterator[Case]:
    """Let it die in each phase by each way, with lines of both kinds (quick: by one way a phase)."""
    for number, (phase, still) in enumerate(phases.items()):
        for how, persist in QUICK[number % len(QUICK) :][:1] if quick else WAYS:
            yield death(lab, phase, still, how, persist=persist, comes_back=persist and how != "stop", dice=dice)


def _high(lab: Lab) -> list[int]:
    return [line for line in lab.lines if lab.pins.levels >> line & 1]
