"""What turns on a bench: pumps and stirrer on lines of the header, or on the pump node. Each is one part of a world.

Both hear nothing but what left the service: levels and counted edges, or frames to the node's own firmware.
"""

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from saltern_drivers.twin.pumps import PumpHead, Train
from saltern_drivers.twin.world import World
from tests.node.boards import Here, OnMicroPython
from tests.real.header import Header
from tests.real.terminal import Terminal

STIRRER_INERTIA = 0.03  # share of a new level that the motor's mean follows in one look
STIRRER_STANDS = 0.02
NODE_PUMPS = ("sample", "waste", "titrant")  # in the node's order
NODE_BAUD = 115_200


class HeaderDrives:
    """Steppers, DC pumps, permits and stirrer on lines of the header: its rising edges, and its levels."""

    def __init__(self, bench: Mapping[str, Any], header: Header) -> None:
        self._header = header
        self._drives = {name: pump["drive"] for name, pump in bench["pumps"].items()}
        self._permits = {name: pump["permit"]["pin"] for name, pump in bench["pumps"].items()}
        self._stirrer = bench["stirrer"]["drive"]["pin"]
        self._stirring = 0.0
        self._rises: dict[int, int] = {}

    def turn(self, world: World, to_s: float) -> None:
        """Let the heads turn by what came over the lines since the last time."""
        header = self._header
        for name, line in self._permits.items():
            if self._risen(line):
                world.pumps[name].permitted_until_s = to_s + world.pumps[name].lapse_s
        for name, drive in self._drives.items():
            head = world.pumps[name]
            if "step_pin" in drive:
                head.enabled = header.level(drive["enable_pin"])
                head.reverse = header.level(drive["direction_pin"])
                step(head, self._risen(drive["step_pin"]), to_s)
            else:
                head.power = float(header.level(drive["pin"]))
        self._stirring += STIRRER_INERTIA * (header.level(self._stirrer) - self._stirring)
        stir(world, self._stirring)

    def _risen(self, line: int) -> int:
        now = self._header.rises(line)
        before, self._rises[line] = self._rises.get(line, now), now
        return now - before

    def close(self) -> None:
        pass


class NodeDrives:
    """Pumps, stirrer and float of the pump node: its own firmware behind a converter.

    Which pump may turn, and for how long, is the firmware's affair alone: whatever step its motors make moves liquid.
    """

    def __init__(self, firmware: Here | OnMicroPython, name: Path) -> None:
        self._firmware = firmware
        self.converter = Terminal(name, NODE_BAUD)
        self.steps = dict.fromkeys(NODE_PUMPS, 0)
        self.state = firmware.step(now=0)

    def turn(self, world: World, to_s: float) -> None:
        """Let the node come to the present, and the heads turn by the steps of its motors since the last time."""
        heard = self.converter.heard()
        self.state = state = self._firmware.step(
            now=round(1000.0 * to_s), rx=heard.hex(), float=world.switch("overfill")
        )
        self.converter.say(bytes.fromhex(state["tx"]))
        for number, name in enumerate(NODE_PUMPS):
            head, total = world.pumps[name], state["total"][number]
            head.permitted_until_s = math.inf
            head.reverse = state["backward"][number]
            step(head, total - self.steps[name], to_s)
            self.steps[name] = total
        stir(world, state["stirred"] / 1000.0)

    def close(self) -> None:
        self.converter.close()
        self._firmware.close()


def step(head: PumpHead, steps: int, to_s: float) -> None:
    """Let a head make steps in the time since the world was advanced last."""
    if steps:
        head.trains.append(Train(head.at_s, to_s, steps))


def stir(world: World, power: float) -> None:
    """Give the stirrer's motor this share of its full power."""
    world.stirrer_power = power
    world.stirrer = power if power > STIRRER_STANDS and not world.stirrer_stopped else 0.0
