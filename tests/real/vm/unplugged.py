"""Boards unplugged in each phase of a determination, plugged in again under another number."""

import random
from collections.abc import Iterator
from dataclasses import dataclass

from tests.real.vm.lab import Lab, Still
from tests.real.vm.outcome import Case, judged

AWAY_S = 8.0
ENDS_WITHIN_S = 1500.0
BOARDS, ANOTHER = ("ph", "conductivity", "temperature"), "node"


@dataclass(frozen=True)
class Swap:
    """One board taken away in one phase, and what was wrong with that."""

    phase: str
    board: str
    was: str
    then: str
    wrong: list[str]


def unplugged(lab: Lab, phases: dict[str, Still], dice: random.Random) -> Iterator[Case]:
    """Take one board away in each phase, in turn, and give it back as another number.

    A determination goes on after it, so the next phases have their turns in the same one. Those that it has left
    before the board was back begin at what was kept of them.
    """
    left = [(phase, BOARDS[number % len(BOARDS)]) for number, phase in enumerate(phases)]
    while left:
        cases = list(_one_determination(lab, phases, left, dice))
        yield from cases
        done = {case.name for case in cases}
        left = [(phase, board) for phase, board in left if _name(phase, board) not in done]


def _one_determination(
    lab: Lab, phases: dict[str, Still], left: list[tuple[str, str]], dice: random.Random
) -> Iterator[Case]:
    """Nobody helps: the service goes on with what is left, and uses each board once it is back."""
    lab.resume(phases[left[0][0]])
    before, heard = lab.state(), len(lab.witness.heard)
    lab.wait(dice.uniform(0.0, 3.0))
    swaps = [_swapped(lab, *left[0])]
    for phase, board in left[1:]:
        if lab.enters(phase, heard, ENDS_WITHIN_S):
            swaps.append(_swapped(lab, phase, board))
    done = lab.finished(heard, ENDS_WITHIN_S)
    after, wrong = lab.state(), []
    if after["MainPID"] != before["MainPID"] or after["NRestarts"] != before["NRestarts"]:
        wrong.append(f"the service ended: {before} {after} {lab.journal(20)[-900:]}")
    if done is None:
        wrong.append(f"the determination did not end within {ENDS_WITHIN_S:.0f} s")
    emptied = lab.saltern("empty /etc/saltern/bench.toml", 600.0)  # reads the cell, wet and then dry
    if emptied.code != 0:
        wrong.append(f"saltern empty: {emptied.said[-400:]}")
    wrong += lab.violations(lab.records())
    verdict = "none" if done is None else " ".join([done["alkalinity"]["verdict"], *done["alkalinity"]["reasons"]])
    for swap in swaps:
        name, said = _name(swap.phase, swap.board), {"was": swap.was, "then": swap.then, "in_one": len(swaps)}
        yield judged("unplugged", name, swap.wrong + wrong, **said, verdict=verdict)


def _swapped(lab: Lab, phase: str, board: str) -> Swap:
    was, beside = _node(lab, board), _node(lab, ANOTHER)
    lab.pins.unplug(board)
    lab.wait(AWAY_S)
    gone = _node(lab, board)
    lab.pins.unplug(ANOTHER)
    for one in in_order(board, was, beside):
        lab.pins.plug(one)
        lab.machine.must("sleep 1; udevadm settle")
    now = _node(lab, board)
    wrong = [] if gone == "" else [f"{board} was not gone"]
    wrong += [] if now and now != was else [f"{board} was {was}, and came back as {now!r}: {lab.pins.troubles}"]
    return Swap(phase, board, was, now, wrong)


def in_order(board: str, was: str, beside: str) -> tuple[str, str]:
    """Return which of two boards is plugged in first, so that they swap numbers: the first takes the lower one."""
    return (ANOTHER, board) if was < beside else (board, ANOTHER)


def _name(phase: str, board: str) -> str:
    return f"{board} in {phase!r}"


def _node(lab: Lab, board: str) -> str:
    said = lab.machine.run(f"readlink /dev/serial/by-id/*_{board}-if00").said.strip()
    return said.rpartition("/")[2]
