"""Faults of wires, hands and supplies: each changes what the world does, or what a wire carries, and nothing else.

Sizes that are left out are in the tables below. A fault that names no pump has the one that it is likeliest at.
"""

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from saltern_drivers.twin.gravity import open_flow_ml_s

if TYPE_CHECKING:
    from saltern_drivers.twin.pumps import PumpHead
    from saltern_drivers.twin.scenario import FaultTable, Play

Back = Callable[[], None] | None

SIZES: Mapping[str, tuple[float, float]] = {
    "control-stall": (0.0, 29.0),  # the watchdog ends what hangs for longer: that is `service-hang`
    "steps-lost": (0.0, 1.0),
    "cell-film": (0.01, 1.0),
    "brown-out": (0.0, 1.0),
    "ground-loop": (-500.0, 500.0),
    "sd-stall": (0.0, 29.0),
    "board-reboot": (0.0, 600.0),
    "siphon-through-head": (0.0, 1.0),
}
"""Least and most that a size may be."""

STALL_S = 6.0
LOST_SHARE = 0.05
FILM = 0.6
WEAK = 0.5
LOOP_MV = 5.0
REBOOT_S = 3.0
ROLLERS_PASS = 0.1
LOOK_EVERY_S = 5.0


def _size(fault: "FaultTable", default: float) -> float:
    return default if fault.size is None else fault.size


def _heads(play: "Play", fault: "FaultTable", *without: str) -> "list[PumpHead]":
    return [head for name, head in play.world.pumps.items() if fault.pump in (None, name) and name not in without]


def direction_wire_dead(play: "Play", fault: "FaultTable") -> Back:
    """A stepper's direction wire comes off: it always turns forward. Of the sample pump, unless named."""
    head = play.world.pumps[fault.pump or "sample"]
    head.direction_dead = True

    def end() -> None:
        head.direction_dead = False

    return end


def control_stall(play: "Play", fault: "FaultTable") -> Back:
    """The control thread stands still for some seconds; timers, edges and the wires' own time go on."""
    play.clock.sleep(_size(fault, STALL_S))
    return None


def steps_lost(play: "Play", fault: "FaultTable") -> Back:
    """Steppers lose a share of their steps: sent and counted, and not made. Of all of them, unless one is named."""
    pumps = play.bench["pumps"]
    timed = [name for name in pumps if "pin" in pumps[name]["drive"]]
    return _passing(_heads(play, fault, *timed), 1.0 - _size(fault, LOST_SHARE))


def brown_out(play: "Play", fault: "FaultTable") -> Back:
    """The pumps' supply sags: what they give falls to a share, while steps and seconds are counted as ever."""
    return _passing(_heads(play, fault), _size(fault, WEAK))


def _passing(heads: "list[PumpHead]", share: float) -> Back:
    for head in heads:
        head.passes *= share

    def end() -> None:
        for head in heads:
            head.passes = head.passes / share if share > 0.0 else 1.0

    return end


def cell_film(play: "Play", fault: "FaultTable") -> Back:
    """A film of sea water holds on to the cell: it conducts a share of what the tank does while it hangs in air."""
    play.world.cell_film = _size(fault, FILM)

    def end() -> None:
        play.world.cell_film = 0.0

    return end


def float_stuck_wet(play: "Play", fault: "FaultTable") -> Back:
    """The overfill float stays up."""
    del fault
    play.world.overfill_stuck_wet = True

    def end() -> None:
        play.world.overfill_stuck_wet = False

    return end


def tube_off(play: "Play", fault: "FaultTable") -> Back:
    """The end of a line slips off: what it gives runs beside vessel, tray and container. The sample's, unless named."""
    pump = fault.pump or "sample"
    play.world.tubes_off.add(pump)
    return lambda: play.world.tubes_off.discard(pump)


def ground_loop(play: "Play", fault: "FaultTable") -> Back:
    """A motor's current lifts the electrode's ground, that of a pump or of the stirrer."""
    play.world.ground_loop_mv = _size(fault, LOOP_MV)

    def end() -> None:
        play.world.ground_loop_mv = 0.0

    return end


def board_reboot(play: "Play", fault: "FaultTable") -> Back:
    """The measuring boards start anew: what was asked is forgotten, then each says a line that nobody asked for."""
    play.boards.reboot(_size(fault, REBOOT_S))
    open_i2c = play.wires.open_i2c
    if open_i2c is not None:
        open_i2c(1).lose_power()  # type: ignore[attr-defined]
    return None


def siphon_through_head(play: "Play", fault: "FaultTable") -> Back:
    """A head's rollers let go, and a share of what the open line would pass runs by gravity.

    It is the titrant's, unless one is named. The flow follows the heights, looked at every five seconds.
    """
    pump, share = fault.pump or "titrant", _size(fault, ROLLERS_PASS)
    leaks, going = play.world.head_leaks_ml_s, True

    def look() -> None:
        if going:
            leaks[pump] = share * open_flow_ml_s(play.world, pump)
            play.clock.call_later(LOOK_EVERY_S, look)

    def end() -> None:
        nonlocal going
        going = False
        leaks.pop(pump, None)

    look()
    return end


FAULTS: "Mapping[str, Callable[[Play, FaultTable], Back]]" = {
    "direction-wire-dead": direction_wire_dead,
    "control-stall": control_stall,
    "steps-lost": steps_lost,
    "cell-film": cell_film,
    "float-stuck-wet": float_stuck_wet,
    "tube-off": tube_off,
    "brown-out": brown_out,
    "ground-loop": ground_loop,
    "board-reboot": board_reboot,
    "siphon-through-head": siphon_through_head,
}
"""By name; `sd-stall` and `record-damaged` befall the computer, whose part plays them."""
