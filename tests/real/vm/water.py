"""The twin's physics behind the machine's pins and boards, outside it: it outlives every death and every power cut.

It knows what the kernel's chip counted and holds, and what was sent to the boards; of the service it knows nothing. Its
time is the machine's own while that runs; between two boots a little passes, with nothing driven.
"""

import pickle
import threading
from collections.abc import Mapping
from typing import Any

import numpy as np

from saltern_drivers.twin.boards import BoardPort, Boards, Cable
from saltern_drivers.twin.instruments import CLASSES, draw
from saltern_drivers.twin.pumps import Train
from saltern_drivers.twin.tank import Tank
from saltern_drivers.twin.world import World
from tests.real.vm.pins import Look, Pins

DARK_S = 3.0
"""What passes between a power cut and the first look of the next boot."""

LEFT_OUT = ("bench", "intakes", "_media", "on_add", "_heads")
DUTY_SHARE = 0.05


class Water:
    """One bench's liquids and probes.

    Parameters
    ----------
    table
        The bench file, read: where each thing hangs, and what the keeper believes of it.
    seed
        Draws what is true instead.
    """

    def __init__(self, table: Mapping[str, Any], pins: Pins, seed: int) -> None:
        random = np.random.default_rng(seed)
        titre_u = (table["titre"]["u_percent"] or 0.0) / 100.0
        truths = draw(CLASSES["good"], calibrated=True, titre_u=titre_u, random=random)
        self.table, self.pins = table, pins
        self.tank = Tank(consumption_dkh_per_day=0.0, dosed_dkh_per_day=0.0)
        self.world = World(table, truths, self.tank, random)
        self._lock = threading.Lock()
        self._offset_s: float | None = None
        self._duty = 0.0
        self._levels: dict[int, bool] = {}
        self._switches = {s["pin"]: role for role, s in table["switches"].items() if s and "pin" in s}
        drives = {name: pump["drive"] for name, pump in table["pumps"].items()}
        self._steppers = {name: drive for name, drive in drives.items() if "step_pin" in drive}
        self._timed = {name: drive["pin"] for name, drive in drives.items() if "pin" in drive}
        self._permits = {name: pump["permit"]["pin"] for name, pump in table["pumps"].items()}
        self._stirrer = table["stirrer"]["drive"]["pin"]
        boards = Boards(self.world, self)
        answers = {"ph": boards._ph, "conductivity": boards._conductivity, "temperature": boards._temperature}
        self.boards = {role: BoardPort(self, Cable(), answer, b"\r") for role, answer in answers.items()}
        self.steps = dict.fromkeys(self._steppers, 0)
        pins.on_look, pins.on_bytes = self._look, self._asked

    # What Boards wants of a clock
    def monotonic(self) -> float:
        return self.world.at_s

    def booted(self) -> None:
        """Say that the machine was booted or taken up: its clock is another, and nothing is driven yet."""
        with self._lock:
            self._offset_s = None
            self._levels.clear()
            for head in self.world.pumps.values():
                head.trains.clear()
                head.power, head.permitted_until_s = 0.0, -1.0
            for board in self.boards.values():
                board.close()

    def kept(self) -> bytes:
        """Return it as it is, to be taken up later."""
        with self._lock:
            state = {name: value for name, value in self.world.__dict__.items() if name not in LEFT_OUT}
            sent = {role: (board._asked, board._due, board._ready) for role, board in self.boards.items()}
            return pickle.dumps((state, sent, self.steps, self._offset_s, self._duty, self._levels))

    def take_up(self, kept: bytes) -> None:
        """Be what it was then."""
        with self._lock:
            state, sent, self.steps, self._offset_s, self._duty, self._levels = pickle.loads(kept)
            for role, (asked, due, ready) in sent.items():
                board = self.boards[role]
                board._asked, board._due, board._ready = asked, due, ready
            heads = self.world.pumps  # wires hold on to heads
            for name, was in state["pumps"].items():
                heads[name].__dict__.update(was.__dict__)
            self.world.__dict__.update({**state, "pumps": heads})
            self.tank.__dict__.update(state["tank"].__dict__)
            self.world.tank = self.tank

    def volume_ml(self) -> float:
        """Return what stands in the vessel, truly."""
        with self._lock:
            return self.world.volume_ml()

    def drawn_umol_kg(self) -> float | None:
        """Return the true alkalinity of the tank water in the vessel, before any acid; None where none was drawn."""
        with self._lock:
            drawn = self.world.intake
            return None if drawn is None else float(drawn.water.alkalinity / drawn.water.mass_g)

    # ------------------------------------------------------------------------------

    def _look(self, look: Look) -> None:
        with self._lock:
            if self._offset_s is None:
                self._offset_s = self.world.at_s + DARK_S - look.at_s
            now_s, last_s = look.at_s + self._offset_s, self.world.at_s
            if now_s <= last_s:
                return
            world = self.world
            for name, pin in self._permits.items():
                if pin in look.risen:
                    world.pumps[name].permitted_until_s = now_s + world.pumps[name].lapse_s
            for name, drive in self._steppers.items():
                head, steps = world.pumps[name], look.risen.get(drive["step_pin"], 0)
                head.enabled, head.reverse = look.high(drive["enable_pin"]), look.high(drive["direction_pin"])
                if steps:
                    head.trains.append(Train(last_s, now_s, steps))
                    self.steps[name] += steps
            for name, pin in self._timed.items():
                world.pumps[name].power = float(look.high(pin))
            self._duty += DUTY_SHARE * (look.high(self._stirrer) - self._duty)
            world.stirrer_power = self._duty
            world.stirrer = self._duty if self._duty > 0.02 else 0.0
            world.advance(now_s)
            pulls = {pin: world.switch(role) for pin, role in self._switches.items()}
            answers = {role: board.read(n) for role, board in self.boards.items() if (n := board.in_waiting)}
        for pin, up in pulls.items():
            if self._levels.get(pin) is not up:
                self._levels[pin] = up
                self.pins.pull(pin, up=up)
        for role, some in answers.items():
            self.pins.answer(role, some)

    def _asked(self, board: str, some: bytes) -> None:
        with self._lock:
            if board in self.boards:
                self.boards[board].write(some)
