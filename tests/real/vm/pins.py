"""The simulated header seen from outside the machine: levels, rises counted by the kernel, inputs driven, boards."""

import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Protocol

LOW_FOR_S = 0.4
"""A line that is low for so long is low: longer than the period of the slowest train, permit or PWM."""


class Says(Protocol):
    """Where lines to the inside go."""

    def __call__(self, line: str, /) -> None: ...


@dataclass(frozen=True)
class Look:
    """The watched lines at one instant of the machine's own monotonic time."""

    at_s: float
    levels: int
    risen: dict[int, int]  # by line, rising edges since the look before

    def high(self, line: int) -> bool:
        return bool(self.levels >> line & 1)


class Pins:
    """The header and the boards' sockets of one machine, across its boots.

    Parameters
    ----------
    say
        Sends a line to the inside.
    """

    def __init__(self, say: Says) -> None:
        self._say = say
        self._lines: tuple[int, ...] = ()
        self._counted: dict[int, int] = {}
        self._come = threading.Condition()
        self._looks = 0
        self.at_s = 0.0
        self.levels = 0
        self.rises: dict[int, int] = {}  # since `watch`
        self.low_since_s: float | None = None  # the machine's time since which every watched line is low
        self.troubles: list[str] = []
        self.on_look: Callable[[Look], None] = lambda look: None
        self.on_bytes: Callable[[str, bytes], None] = lambda board, some: None

    def watch(self, lines: Iterable[int]) -> None:
        """Watch these output lines from now on; the machine has just been booted or taken up."""
        self._lines = tuple(lines)
        self._counted.clear()
        self.rises = dict.fromkeys(self._lines, 0)
        self.low_since_s = None
        self._say(f"w {' '.join(str(line) for line in self._lines)}")
        self.next_look()

    def kept(self) -> tuple[object, ...]:
        """Return what is known of a machine that stands still, to go on from."""
        return self._lines, dict(self._counted), dict(self.rises), self.low_since_s, self.at_s, self.levels

    def take_up(self, kept: tuple[object, ...]) -> None:
        """Go on with a kept machine: it will tell only what changes."""
        lines, counted, rises, self.low_since_s, self.at_s, self.levels = kept  # type: ignore[assignment]
        self._lines, self._counted, self.rises = lines, dict(counted), dict(rises)  # type: ignore[assignment, call-overload]

    def hear(self, line: str) -> None:
        """Take up a line of the inside; called in the wire's thread."""
        kind, _, rest = line.partition(" ")
        if kind == "s":
            board, _, some = rest.partition(" ")
            self.on_bytes(board, bytes.fromhex(some))
        elif kind == "p":
            at_s, levels, *changed = rest.split()
            self._seen(float(at_s), int(levels, 16), dict(tuple(map(int, word.split(":"))) for word in changed))
        elif kind == "e":
            self.troubles.append(rest)

    def _seen(self, at_s: float, levels: int, counts: dict[int, int]) -> None:
        risen = {}
        for line, count in counts.items():
            if line in self._counted and count > self._counted[line]:
                risen[line] = count - self._counted[line]
                self.rises[line] += risen[line]
            self._counted[line] = count
        if levels or risen:
            self.low_since_s = None
        elif self.low_since_s is None:
            self.low_since_s = at_s
        self.at_s, self.levels = at_s, levels
        if self._lines and len(self._counted) == len(self._lines):
            self.on_look(Look(at_s, levels, risen))
        with self._come:
            self._looks += 1
            self._come.notify_all()

    def next_look(self, within_s: float = 60.0) -> bool:
        """Wait for two looks more, of which the second began after this call."""
        with self._come:
            due = self._looks + 2
            return self._come.wait_for(lambda: self._looks >= due, within_s)

    def all_low(self) -> bool:
        return self.low_since_s is not None and self.at_s - self.low_since_s >= LOW_FOR_S

    def driven(self) -> list[int]:
        """Return the watched lines that are high."""
        return [line for line in range(64) if self.levels >> line & 1]

    def seconds_until_low(self, from_s: float, within_s: float) -> float | None:
        """Wait until every watched line is low and stays so; return how long after that machine's time, or None.

        `within_s` is of the machine's own time: it stands still while the machine does.
        """
        begun = time.monotonic()
        while self.at_s - from_s < within_s + LOW_FOR_S and time.monotonic() - begun < 20.0 * within_s:
            since_s = self.low_since_s
            if since_s is not None and self.at_s - since_s >= LOW_FOR_S and self.at_s > from_s + 0.1:
                return max(0.0, since_s - from_s)
            time.sleep(0.02)
        return None

    def pull(self, line: int, *, up: bool) -> None:
        self._say(f"l {line} {int(up)}")

    def answer(self, board: str, some: bytes) -> None:
        self._say(f"s {board} {some.hex()}")

    def unplug(self, board: str) -> None:
        self._say(f"u {board}")

    def plug(self, board: str) -> None:
        self._say(f"g {board}")
