"""GPIO as the twin has it: pins whose changes reach the world, and pulse trains that are events in time."""

from collections import deque
from collections.abc import Callable
from typing import Any

from gpiozero.pins.mock import MockFactory, MockPWMPin

from saltern.ports import Clock, MisuseError
from saltern_drivers.twin.lines import SharedChip
from saltern_drivers.twin.world import World

QUEUED_AT_MOST = 8
"""Entries of a line that lgpio 0.2.2.0 takes beside the low one at its end (LG_TX_BUF in lgPthTx.h is 10)."""


class TwinPin(MockPWMPin):  # type: ignore[misc]
    """A pin that reports to the world at once; it keeps no history of its own."""

    def __init__(self, factory: "TwinPinFactory", info: Any) -> None:
        self._number = int(info.name.removeprefix("GPIO"))
        self._state: float = 0.0
        self.states: list[Any] = []
        self._board = factory
        super().__init__(factory, info)

    def _change_state(self, value: float) -> bool:
        if self._state == value:
            return False
        self._state = value
        if self._function == "output":
            self._board.drive_shared(self._number, float(value))
            self._board.output_changed(self._number, float(value))
        return True

    def _set_function(self, value: str) -> None:
        if value == "output":
            self._board.drive_shared(self._number, float(self._state))
        super()._set_function(value)
        if value == "input":
            self._board.released(self._number)
        else:  # claimed: the line is driven, whatever a process before has left on it
            self._board.output_changed(self._number, float(self._state))

    def _set_pull(self, value: str) -> None:
        super()._set_pull(value)
        level = self._board.input_level(self._number)
        if level is not None:
            self.drive(level)

    def drive(self, level: bool) -> None:
        """Set an input from outside; edges reach whoever watches."""
        if level:
            self.drive_high()
        else:
            self.drive_low()

    def clear_states(self) -> None:
        self._last_change = 0.0
        self.states = []


class TwinPinFactory(MockFactory):  # type: ignore[misc]
    """The header of the simulated bench."""

    def __init__(self, world: World, clock: Clock) -> None:
        super().__init__(revision="a02082", pin_class=TwinPin)
        self._world = world
        self._clock = clock
        self._outputs: dict[int, Callable[[float], None]] = {}
        self._inputs: dict[int, str] = {}
        self._seen: dict[Any, TwinPin] = {}
        self._watched: list[tuple[TwinPin, str]] = []
        self.dead = False
        self.changed: Callable[[], None] = lambda: None
        self.shared: SharedChip | None = None
        bench = world.bench
        for name, pump in bench["pumps"].items():
            self._wire_pump(name, pump)
        stirrer = bench["stirrer"]["drive"].get("pin")
        if stirrer is not None:
            self._outputs[stirrer] = self._stir
        for table, choose in (
            (bench.get("reference"), self._choose_reference),
            (bench["sample"].get("draw_down"), self._choose_tip),
        ):
            if table is not None and "pin" in table["selector"]:
                self._outputs[table["selector"]["pin"]] = choose
        for role, switch in bench["switches"].items():
            if switch is not None and "pin" in switch:
                self._inputs[switch["pin"]] = role

    @property
    def world(self) -> World:
        """The world behind the header."""
        return self._world

    def _wire_pump(self, name: str, pump: Any) -> None:
        head = self._world.pumps[name]
        drive, permit = pump["drive"], pump["permit"]
        if permit is not None and "pin" in permit:

            def permit_edge(value: float) -> None:
                if value > 0.0:  # a retriggerable one-shot listens to rising edges
                    head.kicked_s = self._clock.monotonic()
                    head.permitted_until_s = head.kicked_s + head.lapse_s

            self._outputs[permit["pin"]] = permit_edge
        if "step_pin" in drive:
            head.enabled = False

            def enable(value: float) -> None:
                head.enabled = value > 0.0

            def direction(value: float) -> None:
                head.reverse = value > 0.0

            self._outputs[drive["enable_pin"]] = enable
            self._outputs[drive["direction_pin"]] = direction
        elif "pin" in drive:

            def power(value: float) -> None:
                head.power = value
                if value > 0.0:
                    head.driven_s = self._clock.monotonic()

            self._outputs[drive["pin"]] = power

    def _choose_reference(self, value: float) -> None:
        self._world.source = self._world.reference if value > 0.0 else None

    def _choose_tip(self, value: float) -> None:
        self._world.at_tip = value > 0.0

    def _stir(self, value: float) -> None:
        self._world.stirrer_power = value
        self._world.stirrer = 0.0 if self._world.stirrer_stopped else value

    def drive_shared(self, number: int, value: float) -> None:
        """Drive a line where other processes could have it; the first time claims it."""
        if self.shared is not None:
            self.shared.drive(number, value)

    def output_changed(self, number: int, value: float) -> None:
        answer = self._outputs.get(number)
        if answer is not None and not self.dead:
            self._world.advance(self._clock.monotonic())
            answer(value)
            self.changed()

    def released(self, number: int) -> None:
        """A line that is let go falls to its pull-down."""
        if number in self._outputs:
            self.output_changed(number, 0.0)
        if self.shared is not None:
            self.shared.release(number)

    def force_low(self) -> None:
        """Drive every output low, whoever had it: what safe-off does, and a power cut with its pull-downs."""
        self._world.advance(self._clock.monotonic())
        for answer in self._outputs.values():
            answer(0.0)

    def input_level(self, number: int) -> bool | None:
        role = self._inputs.get(number)
        return None if role is None else self._world.at_input(role)

    def refresh_inputs(self) -> None:
        """Let the switches follow a world that was changed from outside."""
        self.show(self._world.active_switches())

    def show(self, active: set[str]) -> None:
        """Let the wires lead to the switches that are active; called whenever time has moved."""
        if self.dead:
            return
        if len(self._seen) != len(self.pins):
            self._seen = dict(self.pins)
            self._watched = [(p, r) for n, r in self._inputs.items() if (p := self._pin_of(n)) is not None]
        world = self._world
        if world.plugs_swapped or world.rattles_until_s:
            active = {role for _, role in self._watched if world.at_input(role)}
        for pin, role in self._watched:
            level = role in active
            if bool(pin._state) is not level and pin._function == "input":
                pin.drive(level)

    def _pin_of(self, number: int) -> TwinPin | None:
        for pin in self.pins.values():
            if pin._number == number and pin._function == "input":
                return pin  # type: ignore[no-any-return]
        return None


class TwinPulseTrains:
    """Pulse trains in the clock's own time, with the depth and the grain of the library's queue."""

    def __init__(self, world: World, clock: Clock) -> None:
        self._world = world
        self._clock = clock
        self.dead = False
        self._heads = {
            pump["drive"]["step_pin"]: world.pumps[name]
            for name, pump in world.bench["pumps"].items()
            if "step_pin" in pump["drive"]
        }
        self._queues: dict[int, deque[tuple[float, int]]] = {line: deque() for line in self._heads}  # end, pulses
        self._ended = dict.fromkeys(self._heads, 0)
        self._ends_s = dict.fromkeys(self._heads, 0.0)

    def prepare(self, line: int) -> None: ...

    def queue(self, line: int, pulses: int, on_us: int, off_us: int) -> None:
        if pulses < 1:
            raise MisuseError("a train of no pulses", where=f"GPIO {line}", remedy="Ask for at least one")
        self._append(line, pulses, pulses * (on_us + off_us) * 1e-6)

    def pause(self, line: int, duration_us: int) -> None:
        self._append(line, 0, duration_us * 1e-6)

    def _append(self, line: int, pulses: int, lasts_s: float) -> None:
        if self.dead:
            return
        if self.room(line) < 1:
            raise MisuseError("the queue of pulses is full", where=f"GPIO {line}", remedy="Queue less at a time")
        now_s = self._clock.monotonic()
        self._world.advance(now_s)
        begins_s = max(now_s, self._ends_s[line])
        self._ends_s[line] = begins_s + lasts_s
        self._queues[line].append((begins_s + lasts_s, pulses))
        if pulses:
            self._heads[line].send(begins_s, pulses, lasts_s / pulses)

    def room(self, line: int) -> int:
        return QUEUED_AT_MOST - len(self._unended(line))

    def ends_in_s(self, line: int) -> float:
        return max(0.0, self._ends_s[line] - self._clock.monotonic())

    def busy(self, line: int) -> bool:
        return bool(self._unended(line))

    def sent(self, line: int) -> tuple[int, int]:
        unended = self._unended(line)
        return self._ended[line], self._ended[line] + (unended[0][1] if unended else 0)

    def lateness_s(self) -> float | None:
        return 0.0

    def _unended(self, line: int) -> deque[tuple[float, int]]:
        queue, now_s = self._queues[line], self._clock.monotonic()
        while queue and queue[0][0] <= now_s + 1e-9:
            self._ended[line] += queue.popleft()[1]
        return queue

    def die(self) -> None:
        """End every train, as the thread that times them ends with its process; nothing is taken any more."""
        now_s = self._clock.monotonic()
        self._world.advance(now_s)
        for head in self._heads.values():
            head.cancel(now_s)
        self.dead = True
