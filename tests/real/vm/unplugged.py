"""Boards unplugged in each phase of a determination, plugged in again under another number."""

import random
from collections.abc import Iterator

from tests.real.vm.lab import Lab, Still
from tests.real.vm.outcome import Case, judged

AWAY_S = 8.0
ENDS_WITHIN_S = 1500.0
BOARDS, ANOTHER = ("ph", "conductivity", "temperature"), "node"


def unplugged(lab: Lab, phases: dict[str, Still], dice: random.Random) -> Iterator[Case]:
    """Take one board away in each phase, in turn, and give it back as another number."""
    for number, (phase, still) in enumerate(phases.items()):
        board = BOARDS[number % len(BOARDS)]
        yield _one(lab, phase, still, board, dice)


def _one(lab: Lab, phase: str, still: Still, board: str, dice: random.Random) -> Case:
    """Nobody helps: the service goes on with what is left, and uses the board once it is back."""
    lab.resume(still)
    before = lab.state()
    was = _node(lab, board)
    lab.wait(dice.uniform(0.0, 3.0))
    heard = len(lab.witness.heard)
    lab.pins.unplug(board)
    lab.wait(AWAY_S)
    gone = _node(lab, board)
    lab.pins.unplug(ANOTHER)
    for one in (ANOTHER, board):  # another is plugged in first, and takes the number
        lab.pins.plug(one)
        lab.machine.must("sleep 1; udevadm settle")
    now = _node(lab, board)
    done = lab.finished(heard, ENDS_WITHIN_S)
    after = lab.state()
    wrong = [] if gone == "" else [f"{board} was not gone"]
    wrong += [] if now and now != was else [f"{board} was {was}, and came back as {now!r}: {lab.pins.troubles}"]
    if after["MainPID"] != before["MainPID"] or after["NRestarts"] != before["NRestarts"]:
        wrong.append(f"the service ended: {before} {after} {lab.journal(20)[-900:]}")
    if done is None:
        wrong.append(f"the determination did not end within {ENDS_WITHIN_S:.0f} s")
    emptied = lab.saltern("empty /etc/saltern/bench.toml", 600.0)  # reads the cell, wet and then dry
    if emptied.code != 0:
        wrong.append(f"saltern empty: {emptied.said[-400:]}")
    wrong += lab.violations(lab.records())
    verdict = "none" if done is None else done["alkalinity"]["verdict"]
    return judged("unplugged", f"{board} in {phase!r}", wrong, was=was, then=now, verdict=verdict)


def _node(lab: Lab, board: str) -> str:
    said = lab.machine.run(f"readlink /dev/serial/by-id/*_{board}-if00").said.strip()
    return said.rpartition("/")[2]
