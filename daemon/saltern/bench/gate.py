"""One gate for liquid: six reasons why none may move, asked in one place that every caller passes.

Who wants to move liquid goes through for a purpose, and some reasons forbid some purposes. What moves without having
gone through, passes as an operator's demand does: nobody is let through by not asking. Interlocks are not asked here
for a motion, the guard does that; a latched trip only keeps a run from beginning.
"""

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Protocol

from saltern.bench.guard import Guard
from saltern.errors import InterlockError, StorageError
from saltern.model.said_time import written_time
from saltern.ports import Clock

HANDS, PARKED, HELD_UNTIL = "hands at the bench", "parked", "held_until"
PROOF_TEST_UNTIL, COMMISSIONED = "proof test until", "commissioned"
"""The names of the states in the records that the gate asks for."""


class Hindrance(StrEnum):
    """Why liquid may not move; the order is the one in which they are reported."""

    NOT_COMMISSIONED = "not-commissioned"
    HANDS = "hands"
    PROOF_TEST = "proof-test-under-way"
    PARKED = "parked"
    HELD = "held"
    TRIPPED = "tripped"


class Purpose(StrEnum):
    """What liquid is moved for."""

    SCHEDULED = "scheduled determination"
    ASKED = "determination or rinse on demand"
    DRAIN = "drain"
    RELIEF = "drain of what runs in by itself"
    GUIDED = "guided procedure"
    RECOVERY = "recovery after an unclean stop"
    KEEP_WET = "fresh sample for the probes"


AWAY = frozenset({Hindrance.NOT_COMMISSIONED, Hindrance.HANDS, Hindrance.PROOF_TEST})
"""A person may be at lines and vessel, or nobody has tried yet where the lines lead."""

FORBIDS: Mapping[Purpose, frozenset[Hindrance]] = {
    Purpose.SCHEDULED: frozenset(Hindrance),
    Purpose.KEEP_WET: frozenset(Hindrance),
    Purpose.ASKED: AWAY | {Hindrance.PARKED, Hindrance.TRIPPED},
    Purpose.RECOVERY: AWAY | {Hindrance.PARKED},  # under a trip it drains as far as the guard allows
    Purpose.DRAIN: AWAY,  # under a trip, too: the interlock table says which
    Purpose.RELIEF: frozenset({Hindrance.PROOF_TEST}),  # a hand lifts the float then; else the floor comes first
    Purpose.GUIDED: frozenset({Hindrance.PROOF_TEST}),  # the person of all other hindrances is there, and says so
}


@dataclass(frozen=True)
class Closed:
    """Why the gate is closed, and what to do."""

    why: Hindrance
    what: str
    remedy: str


class GateClosedError(InterlockError):
    """Liquid may not move now; `interlock` is the value of the `Hindrance`."""


class HoldStore(Protocol):
    """Where it is kept what holds a bench."""

    def load_state(self, name: str) -> object:
        """Return a state by its name, or None."""
        ...


def is_commissioned(kept: object, wires: str) -> bool:
    """Return whether a bench counts as commissioned: by its record, or because it is a simulated one without any.

    Parameters
    ----------
    kept
        The state `COMMISSIONED`: who, when and why; False where it is said not to be; None where nobody said anything.
    wires
        Of the bench file.
    """
    return isinstance(kept, dict) or (kept is None and wires == "twin")


class Gate:
    """Knows for what the bench is being used now, and whether it may be."""

    def __init__(
        self, name: str, wires: str, clock: Clock, guard: Guard, store: HoldStore, zone: Callable[[], str]
    ) -> None:
        self._name = name
        self._zone = zone  # that the bench stands in, as its file has it now
        self._wires = wires
        self._clock = clock
        self._guard = guard
        self._store = store
        self._purpose: Purpose | None = None

    @contextmanager
    def through(self, purpose: Purpose) -> Iterator[None]:
        """Go through for a purpose, and stay until all is done; what is begun within, belongs to it.

        Raises
        ------
        GateClosedError
            With what to do.
        """
        if self._purpose is not None:
            yield
            return
        self.demand(purpose)
        self._purpose = purpose
        try:
            yield
        finally:
            self._purpose = None

    def demand(self, purpose: Purpose) -> None:
        """Refuse a purpose that the gate is closed for.

        Raises
        ------
        GateClosedError
            With what to do.
        """
        closed = self.closed(purpose)
        if closed is not None:
            raise self._error(closed, purpose)

    def demand_motion(self, role: str) -> None:
        """Refuse a motion of a pump for which nobody went through, where an operator's demand would be refused.

        Raises
        ------
        GateClosedError
            With what to do.
        """
        if self._purpose is not None:
            return
        purpose = Purpose.DRAIN if role == "waste" else Purpose.ASKED
        closed = self._first(FORBIDS[purpose] - {Hindrance.TRIPPED})
        if closed is not None:
            raise self._error(closed, purpose)

    def closed(self, purpose: Purpose) -> Closed | None:
        """Return why the gate is closed for a purpose, or None. Safe to ask from any thread."""
        return self._first(FORBIDS[purpose])

    def _first(self, forbidding: frozenset[Hindrance]) -> Closed | None:
        for hindrance in Hindrance:
            if hindrance in forbidding:
                words = self._words(hindrance)
                if words is not None:
                    return Closed(hindrance, *words)
        return None

    def _words(self, hindrance: Hindrance) -> tuple[str, str] | None:
        """Return what is so and what to do about it, where a hindrance holds."""
        match hindrance:
            case Hindrance.NOT_COMMISSIONED if not is_commissioned(self._state(COMMISSIONED), self._wires):
                return (
                    "this bench is not commissioned: its lines, pumps and floats have not been tried",
                    "Bring it up: saltern bring-up. Or, where all was tried before: "
                    "saltern commission --records-only WHO WHY",
                )
            case Hindrance.HANDS if isinstance(name := self._state(HANDS), str):
                return (
                    f"{name} did not come to its end: lines or probes may be out",
                    "Put them back, then say: saltern hold 0",
                )
            case Hindrance.PROOF_TEST if (until := self._until(PROOF_TEST_UNTIL)) is not None:
                ends = written_time(until, self._zone())
                return (
                    f"a proof test is under way, until {ends} at most: hands may be in the vessel",
                    "Finish it, or break it off with Ctrl-C where it runs",
                )
            case Hindrance.PARKED if self._state(PARKED) is not None:
                return "the bench is parked", "Take it up again: saltern resume"
            case Hindrance.HELD if (until := self._until(HELD_UNTIL)) is not None:
                return (
                    f"the keeper holds the schedule until {written_time(until, self._zone())}",
                    "Let it go on: saltern hold 0",
                )
            case Hindrance.TRIPPED if self._guard.tripped:
                row = next(row for row in self._guard.acting if row.kind == "trip")
                return f"the interlock {row.name} has tripped", row.remedy
        return None

    def _until(self, name: str) -> datetime | None:
        """Return the time that a state holds, if it is not over."""
        kept = self._state(name)
        at = datetime.fromisoformat(kept) if isinstance(kept, str) else None
        return at if at is not None and at > self._clock.now() else None

    def _state(self, name: str) -> object:
        try:
            return self._store.load_state(name)
        except StorageError:
            # Nobody knows. Records that cannot be read cannot be written either, and the interlock `storage` cuts
            # additions; a drain is the safe way, and is not forbidden by a question without an answer.
            return {} if name == COMMISSIONED else None

    def _error(self, closed: Closed, purpose: Purpose) -> GateClosedError:
        return GateClosedError(
            closed.what, where=f"{self._name}, {purpose.value}", remedy=closed.remedy, interlock=closed.why.value
        )
