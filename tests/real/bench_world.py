"""The twin's physics in real time behind a header, its I2C bus and its serial ports: what a real bench would do there.

The world hears nothing but what reached the kernel's interface: edges and levels of lines, bytes. The service on the
other side runs unmodified, with the real libraries. A world is made of parts: what turns (`drives`), and what shows.
"""

import threading
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from saltern_drivers.twin.i2c import Bus
from saltern_drivers.twin.instruments import CLASSES, draw
from saltern_drivers.twin.tank import Tank
from saltern_drivers.twin.world import World
from tests.real.drives import HeaderDrives, NodeDrives
from tests.real.header import Header, I2cChips
from tests.real.terminal import Terminal

LOOK_EVERY_S = 0.003
LONGEST_LOOK_S = 0.05


class WorldClock:
    """Monotonic time from zero, as far as the machine lets the world look: what it stalls for longer does not pass.

    A pump node has a processor of its own. Played on a busy machine it must not find the service silent because it was
    not given time itself to hear what had been said.
    """

    def __init__(self) -> None:
        self._looked = (0.0, time.monotonic())
        self.lost_s = 0.0

    def monotonic(self) -> float:
        at_s, seen_s = self._looked
        return at_s + min(time.monotonic() - seen_s, LONGEST_LOOK_S)

    def look(self) -> float:
        """Let the world come to the present, and return it."""
        (at_s, seen_s), now_s = self._looked, time.monotonic()
        passed_s = min(now_s - seen_s, LONGEST_LOOK_S)
        self.lost_s += now_s - seen_s - passed_s
        self._looked = (at_s + passed_s, now_s)
        return at_s + passed_s


class Physics:
    """A world of the twin, drawn like any other; whoever touches it holds the lock."""

    def __init__(self, bench: Mapping[str, Any], seed: int) -> None:
        random = np.random.default_rng(seed)
        titre_u = (bench["titre"]["u_percent"] or 0.0) / 100.0
        truths = draw(CLASSES["good"], calibrated=True, titre_u=titre_u, random=random)
        self.clock = WorldClock()
        self.world = World(bench, truths, Tank(), random)
        self.lock = threading.Lock()


class Shown(Protocol):
    """A part that shows how the world is."""

    def show(self, world: World) -> None: ...
    def close(self) -> None: ...


class Switches:
    """The contacts of floats, leak sensor and stop button on lines of the header."""

    def __init__(self, bench: Mapping[str, Any], header: Header) -> None:
        self._header = header
        self._roles = {switch["pin"]: role for role, switch in bench["switches"].items() if switch and "pin" in switch}
        self._levels: dict[int, bool] = {}

    def show(self, world: World) -> None:
        for line, role in self._roles.items():
            level = world.switch(role)
            if self._levels.get(line) is not level:
                self._levels[line] = level
                self._header.connect(line, level)

    def close(self) -> None:
        pass


class WiredBoards:
    """A board on a serial line behind a converter, or several on one line."""

    def __init__(self, name: Path, boards: Any, baud: int) -> None:
        self._boards = boards
        self.converter = Terminal(name, baud)

    def show(self, world: World) -> None:
        del world  # the boards look at it themselves
        if heard := self.converter.heard():
            self._boards.write(heard)
        self.converter.say(self._boards.read(self._boards.in_waiting))

    def close(self) -> None:
        self.converter.close()


class I2cBoards:
    """The converter on the header's I2C bus, which answers in its own time."""

    def __init__(self, physics: Physics, header: Header) -> None:
        bus = Bus(physics.world, physics.clock)

        def locked(call: Any) -> Any:
            def answer(*words: Any) -> Any:
                with physics.lock:
                    return call(*words)

            return answer

        self._chips = I2cChips(header, 1, locked(bus.read_i2c_block_data), locked(bus.write_i2c_block_data))

    def show(self, world: World) -> None:
        pass

    def close(self) -> None:
        self._chips.close()


class BenchWorld(threading.Thread):
    """The world goes on as time does, from now until it is closed."""

    def __init__(self, physics: Physics, drives: HeaderDrives | NodeDrives, shown: Sequence[Shown]) -> None:
        super().__init__(name="bench world", daemon=True)
        self.clock, self.world, self.lock = physics.clock, physics.world, physics.lock
        self.drives = drives
        self._shown = shown
        self._looked_s = 0.0
        self.longest_look_s = 0.0
        self._ending = threading.Event()
        self._look()
        self.start()

    def run(self) -> None:
        while not self._ending.wait(LOOK_EVERY_S):
            with self.lock:
                self._look()

    def _look(self) -> None:
        now_s = self.clock.look()
        self.longest_look_s = max(self.longest_look_s, now_s - self._looked_s)
        self._looked_s = now_s
        self.drives.turn(self.world, now_s)
        self.world.advance(now_s)
        for part in self._shown:
            part.show(self.world)

    def drawn_umol_kg(self) -> float:
        """Return the true alkalinity of the tank water that stands, or last stood, in the vessel."""
        with self.lock:
            drawn = self.world.intake or self.world.intakes[-1]
            return float(drawn.water.alkalinity / drawn.water.mass_g)

    def close(self) -> None:
        self._ending.set()
        self.join(5)
        for part in (self.drives, *self._shown):
            part.close()
