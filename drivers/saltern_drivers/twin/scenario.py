"""A scenario: a tank, a bench, what goes wrong and when, and the truth that only a simulation knows."""

import random as garbling
import re
from bisect import bisect_right
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import partial
from math import ceil, isfinite
from typing import Any, Literal, Protocol
from zlib import crc32

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, create_model, model_validator

from saltern.ports import Wires
from saltern_drivers.twin import mishaps
from saltern_drivers.twin.boards import Cable
from saltern_drivers.twin.hands import HandsName
from saltern_drivers.twin.instrument import (
    KNOWN_FAULTS,
    KNOWN_TRUTHS,
    UNKNOWN_ACTS,
    Instrument,
    scatter_of,
    scattered_worlds,
)
from saltern_drivers.twin.instruments import CLASSES, Errors, with_changes
from saltern_drivers.twin.reef_life import Given, Wander, umol_kg_per_dkh
from saltern_drivers.twin.tank import Tank
from saltern_drivers.twin.truth import Asked
from saltern_drivers.twin.truth_table import TABLE
from saltern_drivers.twin.wires import FollowedClock, build
from saltern_drivers.twin.world import Intake, World


class Table(BaseModel):
    """A table of a scenario file."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, str_max_length=500)


PHASES: dict[str, tuple[str, ...]] = {
    "look": ("look at the probes",),
    "recover": (
        "mix what stands",
        "empty after an unclean stop",
        "empty, for the vessel's content is not known",
        "fill a little",
        "fill a little, so that emptying shows",
    ),
    "prove": ("permit of titrant", "permit of sample"),
    "discard-tip": ("discard tip",),
    "empty": ("empty",),
    "rinse": ("rinse", "empty after rinse"),
    "fill": ("fill",),
    "draw-down": ("draw down",),
    "measure": ("measure",),
    "titrate": ("titrate",),
    "evaluate": ("evaluate",),
    "empty-after": ("empty after titration",),
    "keep-wet": ("keep wet",),
    "prime": ("prime sample", "prime titrant"),
    "idle": ("done",),
}
"""The phases that a fault may wait for, each with what the service shows of it, turns not counted."""

ALIASES = {
    name: (name,)
    for name in (
        "empty after titration",
        "empty after rinse",
        "discard tip",
        "draw down",
        "permit of titrant",
        "permit of sample",
    )
}
"""Single ones of them, by what the service shows."""

_WORD = "^[a-z][a-z0-9_]{0,40}$"
_TURN = re.compile(r" \d+( of \d+)?$")


def shown_in(phase: str) -> tuple[str, ...]:
    """Return what the service shows of a phase, by its name or an alias; nothing if there is no such phase."""
    return PHASES.get(phase) or ALIASES.get(phase) or ()


def without_turn(shown: str) -> str:
    """Return what the service shows of a phase without the turn that it is in: "rinse 1 of 2" is a rinse."""
    return _TURN.sub("", shown)


class TankTable(Table):
    alkalinity_umol_kg: float = Field(default=2450.0, ge=200, le=8000)
    salinity: float = Field(default=35.0, ge=5, le=42)
    temperature_c: float = Field(default=25.5, ge=15, le=35)
    consumption_dkh_per_day: float = Field(default=0.8, ge=0, le=10)
    dosed_dkh_per_day: float = Field(default=0.8, ge=0, le=10)
    ph_total: float = Field(default=8.05, ge=6.4, le=10.6)
    volume_l: float = Field(default=400.0, ge=5, le=100_000, description="that the keeper states")
    target_dkh: float | None = Field(default=None, ge=5, le=14, description="the bench file's, or 8, otherwise")
    swing: float = Field(default=0.5, ge=0, le=1, description="noon takes so much more than the day's mean, relative")
    wander_dkh_per_day: float = Field(
        default=0.0, ge=0, le=5, description="standard deviation of an Ornstein-Uhlenbeck process about the mean"
    )
    wander_days: float = Field(default=2.0, gt=0.01, le=1000, description="how long it remembers")


class _Named(Table):
    """A table of numbers by name, of which any may be given."""

    def given(self) -> dict[str, float]:
        """Return those that are, by name."""
        return self.model_dump(exclude_unset=True, exclude_none=True)


def _truth_field(name: str) -> Any:
    row = TABLE[name]
    words = f"{row.what} ({row.unit}); source of its spread: {row.source}"
    return (float | None, Field(default=None, ge=row.least, le=row.most, description=words))


TruthTable: type[_Named] = create_model(
    "TruthTable",
    __base__=_Named,
    __doc__="Truths by name, from the beginning; calibrations were made while they were as the bench file states.",
    **{name: _truth_field(name) for name in TABLE},
)


def _with_errors(schema: dict[str, Any]) -> None:
    """Name the single errors in the schema, and that there are no others."""
    words = "an error of the instruments, instead of its class's: see there"
    schema["properties"].update(
        {name: {"type": "number", "description": words} for name in Errors.__dataclass_fields__}
    )
    schema["additionalProperties"] = False


class TwinTable(Table):
    """The class of instruments; single errors of `instruments.Errors` may be set beside it."""

    model_config = ConfigDict(extra="allow", json_schema_extra=_with_errors)

    instruments: Literal["good", "hobby"] = "good"
    calibrated: bool = True
    world: Literal["near", "apart", "unfriendly"] = "near"
    truth: TruthTable = TruthTable()
    commissioned: bool = True
    detail: Literal["wire", "result"] = Field(
        default="wire",
        description="of the instrument: its wires, or its results alone, which takes no time to speak of",
    )

    @model_validator(mode="after")
    def _known_errors(self) -> "TwinTable":
        for name, value in (self.__pydantic_extra__ or {}).items():
            if name not in Errors.__dataclass_fields__:
                msg = f"{name} is not an error of the twin: choose of {', '.join(Errors.__dataclass_fields__)}"
                raise ValueError(msg)
            if not isinstance(value, int | float) or not isfinite(value):
                msg = f"{name} must be a finite number"
                raise ValueError(msg)
        return self

    def asked(self) -> Asked:
        """Return what is asked of the truth."""
        changes = dict(self.__pydantic_extra__ or {})
        return Asked(
            with_changes(CLASSES[self.instruments], changes),
            calibrated=self.calibrated,
            world=self.world,
            set_errors=frozenset(changes),
            pinned=self.truth.given(),
        )


class KeeperTable(Table):
    attentive: bool = True
    reference_every_d: float | None = Field(
        default=None, ge=0.25, le=1000, description="a triplicate of a reference, the first at 2 d"
    )
    answers_diagnose_h: float | None = Field(
        default=None, ge=0, le=1000, description="does what a finding asks for, after so many hours"
    )
    follows_advice: bool = Field(default=False, description="at 8:00 the doser is set as advised, and logged")


FIRST_REFERENCE_D = 2.0
REFERENCE = ["standardise", "--alkalinity", "2200", "--u", "2"]
"""Of a bottle whose label is right: its true value, with its uncertainty."""

KIT_SD_DKH = 0.3
"""Standard deviation of a colour kit that is read in steps of half a degree (assumed)."""

EVENTS: Mapping[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "consumption": (("dkh_per_day",), ()),
    "dosing": (("dkh_per_day",), ()),
    "dose": (("dkh",), ()),
    "water-change": (("litres", "alkalinity_umol_kg"), ("salinity",)),
}
"""What happens in a tank: what each kind must say, and what it may."""


class EventTable(Table):
    """What happens in the tank, and whether the keeper writes it down; nobody sees the corals' mean change."""

    at_h: float = Field(ge=0)
    kind: Literal["consumption", "dosing", "dose", "water-change"]
    log: bool = Field(default=True, description="whether the keeper writes it down")
    dkh_per_day: float | None = Field(default=None, ge=0, le=10)
    dkh: float | None = Field(default=None, gt=0, le=20, description="as the keeper counts, in the volume stated")
    litres: float | None = Field(default=None, gt=0, le=100_000)
    alkalinity_umol_kg: float | None = Field(default=None, ge=0, le=8000)
    salinity: float | None = Field(
        default=None, ge=0, le=60, description="of the new water; as at the beginning otherwise"
    )

    @model_validator(mode="after")
    def _what_its_kind_says(self) -> "EventTable":
        must, may = EVENTS[self.kind]
        said = {name for name in type(self).model_fields if getattr(self, name) is not None} - {"at_h", "kind", "log"}
        for name in sorted(set(must) - said):
            msg = f"{self.kind} needs {name}"
            raise ValueError(msg)
        for name in sorted(said - set(must) - set(may)):
            msg = f"{name} is not of {self.kind}"
            raise ValueError(msg)
        return self


class ScheduleTable(Table):
    every_h: float = Field(default=4.0, ge=0.5, le=168)


class OperatorTable(Table):
    """What a person does, in the words of the terminal; hands at the simulated bench do what a procedure asks for."""

    at_h: float = Field(ge=0)
    command: list[str] = Field(min_length=1)
    hands: HandsName = Field(default="practice", description="what they do wrong, or nothing")
    answers: dict[str, list[str | float]] = Field(
        default={}, description="by the key of a question, what is answered instead, in turn"
    )


def _with_lists(schema: dict[str, Any]) -> None:
    """Name the faults and the phases in the schema."""
    schema["properties"]["kind"]["enum"] = sorted(FAULTS)
    schema["properties"]["at_phase"] = {"enum": [*PHASES, *ALIASES, None], "default": None}


class FaultTable(Table):
    model_config = ConfigDict(json_schema_extra=_with_lists)

    kind: str
    at_h: float | None = Field(default=None, ge=0)
    at_phase: str | None = None
    determination: int | None = Field(default=None, ge=1)
    after_s: float = Field(default=0.0, ge=0)
    for_h: float | None = Field(default=None, gt=0)
    size: float | None = None
    pump: Literal["sample", "waste", "titrant"] | None = None
    table: str | None = Field(default=None, pattern=_WORD, description="of record-damaged")
    column: str | None = Field(default=None, pattern=_WORD, description="of record-damaged")

    @model_validator(mode="after")
    def _when_and_what(self) -> "FaultTable":
        if (self.at_h is None) == (self.at_phase is None):
            msg = "give either at_h, or at_phase with determination"
            raise ValueError(msg)
        if self.at_phase is not None and self.determination is None:
            msg = "at_phase needs determination"
            raise ValueError(msg)
        if self.at_phase is not None and not shown_in(self.at_phase):
            msg = f"{self.at_phase!r} is not a phase; choose of {', '.join((*PHASES, *ALIASES))}"
            raise ValueError(msg)
        if self.kind not in FAULTS:
            msg = f"{self.kind!r} is not a fault; choose of {', '.join(sorted(FAULTS))}"
            raise ValueError(msg)
        if (self.table or self.column) and self.kind != "record-damaged":
            msg = "table and column are of record-damaged alone"
            raise ValueError(msg)
        bounds = mishaps.SIZES.get(self.kind)
        if bounds is not None and self.size is not None and not bounds[0] <= self.size <= bounds[1]:
            msg = f"the size of {self.kind} must lie in {bounds[0]:g} to {bounds[1]:g}"
            raise ValueError(msg)
        return self


class Scenario(Table):
    """A scenario file."""

    seed: int = Field(ge=0)
    days: float = Field(gt=0, le=1000)
    bench: str | None = None
    tank: TankTable = TankTable()
    twin: TwinTable = TwinTable()
    keeper: KeeperTable = KeeperTable()
    schedule: ScheduleTable | None = None
    operator: list[OperatorTable] = []
    event: list[EventTable] = []
    fault: list[FaultTable] = []

    @model_validator(mode="after")
    def _water_that_fits(self) -> "Scenario":
        for each in self.event:
            if each.litres is not None and each.litres > self.tank.volume_l:
                msg = f"a water change of {each.litres:g} L is more than the tank's volume_l"
                raise ValueError(msg)
        return self

    @model_validator(mode="after")
    def _what_results_show(self) -> "Scenario":
        """Refuse by name what is not played by results."""
        if self.twin.detail == "wire":
            return self
        refused = [f"the world {self.twin.world}"] if self.twin.world not in scattered_worlds() else []
        refused += [f"the fault {fault.kind}" for fault in self.fault if fault.kind not in KNOWN_FAULTS]
        refused += [f"{fault.kind} at a phase" for fault in self.fault if fault.at_phase is not None]
        refused += [f"the truth {name}" for name in self.twin.truth.given() if name not in KNOWN_TRUTHS]
        refused += [f"the command {act.command[0]}" for act in self.operator if act.command[0] in UNKNOWN_ACTS]
        refused += [f"the error {name}" for name in sorted(self.twin.asked().set_errors)]
        if refused:
            msg = f'detail = "result" does not play {", ".join(refused)}: leave it out, or say detail = "wire"'
            raise ValueError(msg)
        return self

    @property
    def acts(self) -> list[OperatorTable]:
        """Return what a person does, by the scenario and by the keeper's habits; a reference is named where none is."""
        every_d = self.keeper.reference_every_d
        times_d = [] if every_d is None else [FIRST_REFERENCE_D + k * every_d for k in range(ceil(self.days / every_d))]
        habits = [self.reference_at(24.0 * at_d) for at_d in times_d if at_d < self.days]
        said = [act.model_copy(update={"command": [*REFERENCE]}) if act.command == REFERENCE[:1] else act
                for act in self.operator]  # fmt: skip
        return sorted([*said, *habits], key=lambda act: act.at_h)

    def reference_at(self, at_h: float) -> OperatorTable:
        """Return the act of measuring the keeper's reference at a time."""
        return OperatorTable(at_h=at_h, command=[*REFERENCE])

    @property
    def keeps_a_tank(self) -> bool:
        """Return whether it says enough of the tank for what the tank consumes, and what to dose, to be looked for."""
        return "volume_l" in self.tank.model_fields_set or bool(self.event)


class StepClock(FollowedClock, Protocol):
    """A clock whose wall time can be stepped."""

    def step_wall(self, seconds: float) -> None: ...


@dataclass
class Play:
    """A scenario being played: its wires, and its truth."""

    scenario: Scenario
    bench: Mapping[str, Any]
    clock: StepClock
    ledger_upper_ml: Callable[[], float] = lambda: float("inf")
    bound_held: bool | None = True
    computer: Callable[[FaultTable], "End"] = lambda fault: None
    """Plays what befalls the computer and not the bench: whoever runs the service on it knows how."""
    note: Callable[[EventTable], None] = lambda event: None
    """Writes down what the keeper did: whoever has the records knows how."""
    wires: Wires = field(init=False)
    world: World = field(init=False)

    def __post_init__(self) -> None:
        t = self.scenario.tank
        tank = Tank(
            alkalinity_umol_kg=t.alkalinity_umol_kg,
            salinity=t.salinity,
            temperature_c=t.temperature_c,
            consumption_dkh_per_day=t.consumption_dkh_per_day,
            dosed_dkh_per_day=t.dosed_dkh_per_day,
            mass_g=t.volume_l * 1024.0,
            ph_total=t.ph_total,
            swing=t.swing,
            wander=Wander(t.wander_dkh_per_day, t.wander_days, self.scenario.seed) if t.wander_dkh_per_day else None,
        )
        self.wires, self.world, self.boards = build(
            self.bench,
            self.clock,
            self.scenario.twin.asked(),
            tank=tank,
            seed=self.scenario.seed,
        )
        self._know_the_tank()
        if self.scenario.twin.detail == "wire":
            self.world.on_add = self._check_bound
            self.clock.attach(lambda now_s: self._check_bound())  # at every instant, at rest too
        else:
            self.bound_held = None
        self._determination = 0
        self._waiting = [fault for fault in self.scenario.fault if fault.at_phase is not None]
        for fault in self.scenario.fault:
            if fault.at_h is not None:
                self.clock.call_later(fault.at_h * 3600.0, partial(self._begin, fault))

        for event in self.scenario.event:
            self.clock.call_later(event.at_h * 3600.0, partial(self._happen, event))

    # The tank -------------------------------------------------------------------------

    def _know_the_tank(self) -> None:
        """Let the tank be as it truly is, where the scenario says more of it than what is in it."""
        drawn = {name for name in ("tank_volume_l", "dose_percent") if self.scenario.keeps_a_tank}
        known = drawn | set(self.scenario.twin.truth.given())
        real, stated_l, tank = self.world.real, self.scenario.tank.volume_l, self.world.tank
        volume_l = stated_l
        if "tank_volume_l" in self.scenario.twin.truth.given():
            volume_l = real["tank_volume_l"]
        elif "tank_volume_l" in known:  # drawn about what the bench file states; the scenario states another
            volume_l = stated_l * real["tank_volume_l"] / TABLE["tank_volume_l"].stated(self.bench, CLASSES["good"])
        self.tank_volume_l = volume_l
        tank.mass_g *= volume_l / stated_l
        percent = real["dose_percent"] if "dose_percent" in known else 0.0
        over = stated_l / volume_l * (1.0 + percent / 100.0)
        tank.given = Given(over, real["dose_scatter_percent"] / 100.0, self.scenario.seed)

    def _happen(self, event: EventTable) -> None:
        tank = self.world.tank
        self.world.advance(self.clock.monotonic())
        tank.advance(self.clock.monotonic())
        if event.kind == "consumption":
            tank.consumption_dkh_per_day = event.dkh_per_day or 0.0
        elif event.kind == "dosing":
            tank.dosed_dkh_per_day = event.dkh_per_day or 0.0
        elif event.kind == "dose":
            tank.dose(event.dkh or 0.0)
        else:
            salinity = self.scenario.tank.salinity if event.salinity is None else event.salinity
            part = min(1.0, (event.litres or 0.0) / self.tank_volume_l)
            tank.change_water(part, event.alkalinity_umol_kg or 0.0, salinity)
        if event.log and event.kind != "consumption":
            self.clock.call_later(3600.0 * self.world.real["log_delay_h"], partial(self.note, event))

    def instrument(self) -> Instrument:
        """Return the instrument by its results, of this bench."""
        twin = self.scenario.twin
        scatter = scatter_of(twin.instruments, twin.world)
        seeds = [self.scenario.seed, crc32(f"{twin.instruments} {twin.world}".encode())]
        return Instrument(self.world, self.boards, self.clock, scatter, seeds)

    def set_doser(self, dkh_per_day: float) -> None:
        """Set the doser, in dKH a day as the keeper counts."""
        self.world.tank.advance(self.clock.monotonic())
        self.world.tank.dosed_dkh_per_day = dkh_per_day

    def kit_test_dkh(self) -> float:
        """Return what a colour kit shows of the tank, with an error of its own each time."""
        tank = self.world.tank
        tank.advance(self.clock.monotonic())
        random = np.random.default_rng([self.scenario.seed, int(self.clock.monotonic())])
        shown: float = tank.alkalinity_umol_kg / umol_kg_per_dkh(tank.salinity) + random.normal(0.0, KIT_SD_DKH)
        return max(0.0, shown)

    def of_day(self, day: int) -> dict[str, float]:
        """Return what is true of the tank at the end of a day, from 1: means by the names of what is printed."""
        self.world.tank.advance(self.clock.monotonic())
        return self.world.tank.account.of_day(day)

    # Faults ---------------------------------------------------------------------------

    def enter_phase(self, phase: str, determination: int) -> None:
        """Start the faults that wait for this phase of this determination."""
        shown = without_turn(phase)
        due = [f for f in self._waiting if f.determination == determination and shown in shown_in(str(f.at_phase))]
        for fault in due:
            self._waiting.remove(fault)
            self.clock.call_later(fault.after_s, partial(self._begin, fault))

    def _begin(self, fault: FaultTable) -> None:
        self.world.advance(self.clock.monotonic())
        end = FAULTS[fault.kind](self, fault)
        self.wires.pins.refresh_inputs()
        if fault.for_h is not None and end is not None:
            self.clock.call_later(fault.for_h * 3600.0, partial(self._end, end))

    def _end(self, end: Callable[[], None]) -> None:
        self.world.advance(self.clock.monotonic())
        end()

    # The keeper's hands -----------------------------------------------------------------

    def refill_titrant(self) -> None:
        self.world.bottle_ml = self.bench["titrant"]["bottle_ml"]
        self.world.titrant_umol_ml = self.world.poured_umol_ml

    def empty_waste_container(self) -> None:
        self.world.waste_ml = 0.0

    # Truth ------------------------------------------------------------------------------

    def _check_bound(self) -> None:
        if self.world.volume_ml() > self.ledger_upper_ml() + 1e-6:
            self.bound_held = False

    def tank_alkalinity(self, ph_read_s: float | None) -> float:
        """Return the alkalinity of the tank water that a determination drew, umol/kg, averaged over its fill."""
        drawn = self._intake_before(ph_read_s)
        if drawn is None or drawn.water.mass_g <= 0.0:
            self.world.tank.advance(self.clock.monotonic())
            return self.world.tank.alkalinity_umol_kg
        return drawn.water.alkalinity / drawn.water.mass_g

    def _intake_before(self, at_s: float | None) -> Intake | None:
        if at_s is None:
            return None
        intakes = [*self.world.intakes, *([self.world.intake] if self.world.intake else [])]
        return max((i for i in intakes if i.begun_s < at_s), key=lambda i: i.begun_s, default=None)

    def as_read(self, at_s: float | None) -> tuple[float, float]:
        """Return true total pH and practical salinity of the vessel when its pH was read, or of it as it is now."""
        if at_s is not None:
            index = bisect_right(self.boards.ph_seen, (at_s, float("inf"), 0.0))
            if index:
                return self.boards.ph_seen[index - 1][1:]
        self.world.advance(self.clock.monotonic())
        return self.world.ph_total(), self.world.salinity()

    def truth(self) -> dict[str, float | None]:
        """Return what the simulation counted; None where it is played by results, and no liquid moves."""
        s = self.world.spilled
        if self.scenario.twin.detail == "result":
            return {**dict.fromkeys(COUNTED), "vessel_capacity_ml": self.world.capacity_ml}
        return {
            "peak_vessel_ml": s.peak_vessel_ml,
            "vessel_capacity_ml": self.world.capacity_ml,
            "spilled_ml": s.spilled_ml,
            "titrant_to_tank_ml": s.titrant_to_tank_ml,
            "max_titrant_in_one_run_ml": s.max_titrant_in_one_run_ml,
            "max_moving_s_after_trip": s.max_moving_s_after_trip,
        }


COUNTED = (
    "peak_vessel_ml", "vessel_capacity_ml", "spilled_ml", "titrant_to_tank_ml", "max_titrant_in_one_run_ml",
    "max_moving_s_after_trip",
)  # fmt: skip
"""What `Play.truth` counts."""

End = Callable[[], None] | None


def _set(obj: str, name: str, value: Any) -> Callable[[Play, FaultTable], End]:
    """Make a fault that sets one knob, and puts it back at its end."""

    def begin(play: Play, fault: FaultTable) -> End:
        target = _target(play, obj)
        before = getattr(target, name)
        setattr(target, name, value(play, fault) if callable(value) else value)
        return lambda: setattr(target, name, before)

    return begin


def _target(play: Play, obj: str) -> Any:
    if obj == "world":
        return play.world
    if obj == "electrode":
        return play.world.electrode
    return play.world.pumps[obj]


def _size(default: float) -> Callable[[Play, FaultTable], float]:
    return lambda play, fault: default if fault.size is None else fault.size


def _gain_shift(play: Play, fault: FaultTable) -> End:
    head = play.world.pumps[fault.pump or "sample"]
    head.gain_shift = -0.05 if fault.size is None else fault.size
    return lambda: setattr(head, "gain_shift", 0.0)


def _head_leak(play: Play, fault: FaultTable) -> End:
    pump = fault.pump or "sample"
    play.world.head_leaks_ml_s[pump] = (0.5 if fault.size is None else fault.size) / 60.0

    def end() -> None:
        play.world.head_leaks_ml_s.pop(pump, None)

    return end


def _permit_stuck(play: Play, fault: FaultTable) -> End:
    heads = [play.world.pumps[fault.pump]] if fault.pump else list(play.world.pumps.values())
    for head in heads:
        head.permit_stuck = True

    def end() -> None:
        for head in heads:
            head.permit_stuck = False

    return end


def _waste_full(play: Play, fault: FaultTable) -> End:
    del fault
    play.world.waste_ml = play.world.waste_capacity_ml * 0.97
    return None


def _bottle_empty(play: Play, fault: FaultTable) -> End:
    del fault
    play.world.bottle_ml = 0.0
    return None


def _line_air(play: Play, fault: FaultTable) -> End:
    play.world.titrant_line_air_ml += 0.05 if fault.size is None else fault.size
    return None


def _splash(play: Play, fault: FaultTable) -> End:
    per_minute = 5.0 if fault.size is None else fault.size
    going = True

    def splash() -> None:
        if going:
            play.world.splash_until_s = play.clock.monotonic() + 0.03
            play.clock.call_later(60.0 / per_minute, splash)

    def end() -> None:
        nonlocal going
        going = False

    splash()
    return end


def _stir_stopped(play: Play, fault: FaultTable) -> End:
    del fault
    play.world.stirrer_stopped, play.world.stirrer = True, 0.0
    return lambda: setattr(play.world, "stirrer_stopped", False)


def _serial(play: Play, change: Callable[[Cable], None], back: Callable[[Cable], None]) -> End:
    for cable in play.boards.cables.values():
        change(cable)

    def end() -> None:
        for cable in play.boards.cables.values():
            back(cable)

    return end


def _silent(play: Play, fault: FaultTable) -> End:
    del fault
    return _serial(play, lambda c: setattr(c, "silent", True), lambda c: setattr(c, "silent", False))


def _late(play: Play, fault: FaultTable) -> End:
    late_s = 2.0 if fault.size is None else fault.size
    return _serial(play, lambda c: setattr(c, "late_s", late_s), lambda c: setattr(c, "late_s", 0.0))


def _garbled(play: Play, fault: FaultTable) -> End:
    share, dice = 0.05 if fault.size is None else fault.size, garbling.Random(play.scenario.seed)

    def garble(sent: bytes) -> bytes:
        return bytes(dice.randrange(256) if dice.random() < share else byte for byte in sent)

    return _serial(play, lambda c: setattr(c, "garble", garble), lambda c: setattr(c, "garble", lambda sent: sent))


def _renumbered(play: Play, fault: FaultTable) -> End:
    """Let the boards drop off: open handles are dead for good, and the names lead to them again at the fault's end."""

    def drop(cable: Cable) -> None:
        cable.pull()
        cable.absent = fault.for_h is not None

    return _serial(play, drop, lambda cable: setattr(cable, "absent", False))


def _clock_step(play: Play, fault: FaultTable) -> End:
    play.clock.step_wall(3600.0 if fault.size is None else fault.size)
    return None


def _computer(play: Play, fault: FaultTable) -> End:
    return play.computer(fault)


COMPUTER_FAULTS = (
    "power-cut", "process-killed", "service-hang", "disk-full", "disk-readonly", "database-corrupt", "sd-stall",
    "record-damaged",
)  # fmt: skip

FAULTS: dict[str, Callable[[Play, FaultTable], End]] = {
    **{f"{pump}-pump-stalled": _set(pump, "stalled", True) for pump in ("sample", "waste", "titrant")},
    **{f"{pump}-pump-runaway": _set(pump, "runaway", True) for pump in ("sample", "waste", "titrant")},
    "head-leak": _head_leak,
    "waste-line-blocked": _set("world", "waste_passing", _size(0.0)),
    "waste-full": _waste_full,
    "drain-partial": _set("world", "residue_extra_ml", _size(5.0)),
    "pump-gain-shift": _gain_shift,
    "titrant-line-air": _line_air,
    "sample-line-air": _set("world", "sample_line_air", _size(0.05)),
    "sample-source-low": _set("world", "sample_source_low", True),
    "titrant-empty": _bottle_empty,
    "titrant-wrong-strength": _set("world", "titrant_factor", lambda play, f: 1.0 + _size(-0.5)(play, f)),
    "ph-disconnected": _set("electrode", "disconnected_since_s", lambda play, f: play.clock.monotonic()),
    "ph-frozen": _set("electrode", "frozen", True),
    "ph-noisy": _set("electrode", "extra_noise_mv", _size(10.0)),
    "ph-slope-lost": _set("electrode", "slope_loss", _size(0.8)),
    "ph-drift": _set("electrode", "fault_drift_mv_per_s", lambda play, f: _size(2.0)(play, f) / 60.0),
    "conductivity-disconnected": _set("world", "conductivity_disconnected", True),
    "conductivity-bubble": _set("world", "conductivity_factor", lambda play, f: 1.0 + _size(-0.3)(play, f)),
    "temperature-open": _set("world", "temperature_open", True),
    "temperature-offset": _set("world", "temperature_shift_k", _size(3.0)),
    "stirrer-stopped": _stir_stopped,
    "overfill-switch-wire-broken": _set("world", "overfill_broken", True),
    "overfill-switch-stuck-dry": _set("world", "overfill_stuck_dry", True),
    "overfill-switch-splash": _splash,
    "leak": _set("world", "leak_wet", True),
    "permit-stuck-on": _permit_stuck,
    "serial-silent": _silent,
    "serial-garbled": _garbled,
    "serial-late": _late,
    "serial-renumbered": _renumbered,
    "clock-step": _clock_step,
    **mishaps.FAULTS,
    **dict.fromkeys(COMPUTER_FAULTS, _computer),
}
