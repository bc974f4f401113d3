"""The twin's physics in real time behind a header, its I2C bus and its serial ports: what a real bench would do there.

The world hears nothing but what reached the kernel's interface: rising edges of permits, counted steps, levels of the
rest, bytes. The service on the other side runs unmodified, with the real libraries.
"""

import os
import threading
import time
import tty
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np

from saltern_drivers.twin.boards import BoardPort, Boards, Cable
from saltern_drivers.twin.i2c import Bus
from saltern_drivers.twin.instruments import CLASSES, draw
from saltern_drivers.twin.pumps import Train
from saltern_drivers.twin.tank import Tank
from saltern_drivers.twin.world import World
from tests.real.header import Header, I2cChips

LOOK_EVERY_S = 0.003
STIRRER_INERTIA = 0.03  # share of a new level that the motor's mean follows in one look


class SinceNow:
    """Monotonic time from zero."""

    def __init__(self) -> None:
        self._begun_s = time.monotonic()

    def monotonic(self) -> float:
        return time.monotonic() - self._begun_s


class SerialBoard:
    """One board at a pty; the file name that the bench file gives is a link to its other end."""

    def __init__(self, link: Path, port: BoardPort) -> None:
        self.link = link
        self._port = port
        self._ours = self._theirs = -1
        self.plug()

    def plug(self) -> None:
        """Be there: under the same name, as another device."""
        self._ours, self._theirs = os.openpty()
        tty.setraw(self._ours)
        tty.setraw(self._theirs)
        os.set_blocking(self._ours, False)
        self.link.parent.mkdir(parents=True, exist_ok=True)
        self.link.symlink_to(os.ttyname(self._theirs))

    def unplug(self) -> None:
        """Be gone: whoever holds the port hears of it as the kernel tells of a device that left."""
        self.link.unlink()
        os.close(self._ours)
        os.close(self._theirs)
        self._ours = self._theirs = -1

    def serve(self) -> None:
        if self._ours < 0:
            return
        with suppress(OSError):  # nothing has come, or nobody has opened it
            self._port.write(os.read(self._ours, 256))
        if waiting := self._port.in_waiting:
            os.write(self._ours, self._port.read(waiting))

    def close(self) -> None:
        if self._ours >= 0:
            self.unplug()


class BenchWorld(threading.Thread):
    """A bench of the header: pumps, permits, stirrer and switches on lines; boards by I2C or serial ports.

    Parameters
    ----------
    bench
        The bench file as a table.
    header
        Where the service runs.
    ports
        Of serial boards, by role: the names in the bench file.
    """

    def __init__(self, bench: Mapping[str, Any], header: Header, *, seed: int, ports: Mapping[str, Path] = {}) -> None:
        super().__init__(name="bench world", daemon=True)
        self.clock = SinceNow()
        random = np.random.default_rng(seed)
        titre_u = (bench["titre"]["u_percent"] or 0.0) / 100.0
        truths = draw(CLASSES["good"], calibrated=True, titre_u=titre_u, random=random)
        self.world = World(bench, truths, Tank(), random)
        self.lock = threading.Lock()
        self._header = header
        self._bench = bench
        self._rises: dict[int, int] = {}
        self._levels: dict[int, bool] = {}
        self._stirring = 0.0
        self._looked_s = 0.0
        self.longest_look_s = 0.0
        self.steps = {"sample": 0, "waste": 0, "titrant": 0}
        self._switches = {
            switch["pin"]: role for role, switch in bench["switches"].items() if switch and "pin" in switch
        }
        self._drives = {name: pump["drive"] for name, pump in bench["pumps"].items()}
        self._permits = {name: pump["permit"]["pin"] for name, pump in bench["pumps"].items()}
        boards = Boards(self.world, self.clock)
        answers = {"ph": boards._ph, "conductivity": boards._conductivity, "temperature": boards._temperature}
        self.boards = {
            role: SerialBoard(path, BoardPort(self.clock, Cable(), answers[role], b"\r"))
            for role, path in ports.items()
        }
        bus = Bus(self.world, self.clock)
        self._chips = I2cChips(header, 1, self._locked(bus.read_i2c_block_data), self._locked(bus.write_i2c_block_data))
        self._ending = threading.Event()
        for line, role in self._switches.items():
            header.connect(line, self.world.switch(role))
        self.start()

    def _locked(self, call: Any) -> Any:
        def locked(*words: Any) -> Any:
            with self.lock:
                return call(*words)

        return locked

    def run(self) -> None:
        while not self._ending.wait(LOOK_EVERY_S):
            with self.lock:
                self._look()

    def _look(self) -> None:
        header, world, now_s = self._header, self.world, self.clock.monotonic()
        self.longest_look_s = max(self.longest_look_s, now_s - self._looked_s)
        for name, line in self._permits.items():
            if self._risen(line):
                world.pumps[name].permitted_until_s = now_s + world.pumps[name].lapse_s
        for name, drive in self._drives.items():
            head = world.pumps[name]
            if "step_pin" in drive:
                steps = self._risen(drive["step_pin"])
                head.enabled = header.level(drive["enable_pin"])
                head.reverse = header.level(drive["direction_pin"])
                if steps:
                    head.trains.append(Train(self._looked_s, now_s, steps))
                    self.steps[name] += steps
            else:
                head.power = float(header.level(drive["pin"]))
        turning = header.level(self._bench["stirrer"]["drive"]["pin"])
        self._stirring += STIRRER_INERTIA * (turning - self._stirring)
        world.stirrer_power = self._stirring
        world.stirrer = self._stirring if self._stirring > 0.02 and not world.stirrer_stopped else 0.0
        world.advance(now_s)
        self._looked_s = now_s
        for line, role in self._switches.items():
            level = world.switch(role)
            if self._levels.get(line) is not level:
                self._levels[line] = level
                header.connect(line, level)
        for board in self.boards.values():
            board.serve()

    def _risen(self, line: int) -> int:
        now = self._header.rises(line)
        before, self._rises[line] = self._rises.get(line, now), now
        return now - before

    def drawn_umol_kg(self) -> float:
        """Return the true alkalinity of the tank water that stands, or last stood, in the vessel."""
        with self.lock:
            drawn = self.world.intake or self.world.intakes[-1]
            return float(drawn.water.alkalinity / drawn.water.mass_g)

    def close(self) -> None:
        self._ending.set()
        self.join(5)
        self._chips.close()
        for board in self.boards.values():
            board.close()
