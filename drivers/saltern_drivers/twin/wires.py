"""The twin's wires: what a driver is given instead of real ones."""

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from saltern.ports import Clock, MisuseError, Wires
from saltern_drivers.twin import lines as shared_lines
from saltern_drivers.twin.afterlife import VARIABLE, Afterlife, take_up
from saltern_drivers.twin.boards import Boards
from saltern_drivers.twin.i2c import Bus
from saltern_drivers.twin.instruments import CLASSES
from saltern_drivers.twin.pins import TwinPinFactory, TwinPulseTrains
from saltern_drivers.twin.tank import Tank
from saltern_drivers.twin.truth import Asked, draw_truth
from saltern_drivers.twin.world import World


class FollowedClock(Clock, Protocol):
    """A clock that reports when time has moved."""

    def attach(self, observer: Callable[[float], None]) -> None: ...


def open_wires(bench: Mapping[str, Any], clock: FollowedClock) -> Wires:
    """Return the wires of a default twin: good instruments, a steady tank, always the same seed.

    Raises
    ------
    MisuseError
        The clock is a real one: simulated liquid needs a virtual or a paced clock.
    """
    if not hasattr(clock, "attach"):
        raise MisuseError("needs a virtual or a paced clock", where="twin", remedy="Run it with a paced clock")
    wires, world, _ = build(bench, clock, Asked(CLASSES["good"]), tank=Tank(), seed=1)
    chip = os.environ.get(shared_lines.VARIABLE)
    if chip:
        wires.pins.shared = shared_lines.SharedChip(Path(chip))
    path = os.environ.get(VARIABLE)
    return wires if not path else _outliving(wires, world, clock, Afterlife(Path(path)))


def _outliving(wires: Wires, world: World, clock: FollowedClock, kept: Afterlife) -> Wires:
    """Let the world be kept whenever it has moved, and take up the one that was."""
    found = kept.found()
    if found is not None:
        take_up(world, found[0])
    clock.attach(lambda _: kept.keep(world))
    wires.pins.changed = lambda: kept.keep(world)

    def close() -> None:
        kept.keep(world)
        wires.close()
        kept.close()

    return replace(wires, close=close)


def force_low(lines: Sequence[int]) -> None:
    """Drive the lines of a chip that simulated benches share; else their outputs end with their process."""
    chip = os.environ.get(shared_lines.VARIABLE)
    if chip:
        shared_lines.force_low(Path(chip), lines)


def build(
    bench: Mapping[str, Any], clock: FollowedClock, asked: Asked, *, tank: Tank, seed: int
) -> tuple[Wires, World, Boards]:
    """Draw a world and build its wires; the world follows the clock from now on."""
    random = np.random.default_rng(seed)
    truths, real = draw_truth(bench, asked, seed, random)
    world = World(bench, truths, tank, random, real=real, seed=seed)
    boards = Boards(world, clock)
    return wire(world, boards, clock), world, boards


def wire(world: World, boards: Boards, clock: FollowedClock) -> Wires:
    """Connect a process to a world that is there; the pins follow the clock until they are dead."""
    pins = TwinPinFactory(world, clock)
    pulses = TwinPulseTrains(world, clock)
    chips = Bus(world, clock)

    def follow(now_s: float) -> None:
        pins.show(world.follow(now_s))

    clock.attach(follow)
    return Wires(
        clock=clock,
        pins=pins,
        pulses=pulses,
        open_serial=boards.open,
        close=pins.close,
        open_i2c=lambda bus: chips,
    )


def die(wires: Wires, *, driven: bool) -> None:
    """Let the process at these wires die: its pulse trains end.

    Parameters
    ----------
    driven
        Whether its outputs stay as they are; else they fall to their pull-downs.
    """
    wires.pulses.die()  # type: ignore[attr-defined]
    if not driven:
        wires.pins.force_low()
    wires.pins.dead = True
