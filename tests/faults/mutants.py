"""Mutants of every row of the interlock table, each alone with a guard: does anything notice?

A row is mutated three ways: its condition never holds, it cuts nothing, and, for a trip, its latch is dropped. A mutant
is killed when a guard that has the mutant alone lets a pump run that the row alone would not.
"""

from collections.abc import Callable
from dataclasses import dataclass, fields, replace

from saltern.bench.guard import Guard
from saltern.bench.interlocks import TABLE, Row, Snapshot
from saltern.clock import VirtualClock
from saltern.errors import InterlockError
from tests.bench.test_interlocks import CAUSES, WELL
from tests.twin_bench import MemoryStore


@dataclass
class Pump:
    """A drive and its permit, as far as a guard knows them; both remember when they were stopped."""

    stopped: int = 0
    kicked: int = 0
    lapse_s: float = 0.5

    def halt(self) -> None:
        self.stopped += 1

    def drop(self) -> None:
        self.stopped += 1

    def kick(self) -> None:
        self.kicked += 1


class Rig:
    """A guard with some rows, and what it sees."""

    def __init__(self, rows: tuple[Row, ...], store: MemoryStore | None = None) -> None:
        self.pumps = {role: Pump() for role in ("sample", "waste", "titrant")}
        self.store = store or MemoryStore()
        self.now = WELL
        self.guard = Guard(self.pumps, self.pumps, self._look, VirtualClock(), self.store, rows)

    def _look(self, seen: Snapshot) -> None:
        for name in (f.name for f in fields(Snapshot)):
            setattr(seen, name, getattr(self.now, name))

    def allowed(self) -> frozenset[str]:
        """Return the pumps that may run now: the guard refuses none of them, and kicks their permits."""
        found = set()
        for role, pump in self.pumps.items():
            before = pump.kicked
            try:
                self.guard.demand(role)
            except InterlockError:
                continue
            self.guard.scan((role,))
            if pump.kicked > before:
                found.add(role)
        return frozenset(found)


def behaviour(row: Row, of: Row) -> tuple[object, ...]:
    """Return what a guard with this row alone does: before, while and after the cause of `of`, restarted, reset."""
    rig = Rig((row,))
    before = rig.allowed()
    rig.now = replace(WELL, **CAUSES[of.name])
    during = rig.allowed()
    halted = tuple(sorted(role for role, pump in rig.pumps.items() if pump.stopped))
    held = row.holds_starts and bool(rig.guard.acting)
    rig.now = WELL
    after = rig.allowed()
    rig.guard.save()
    restarted = Rig((row,), rig.store).allowed()
    rig.guard.reset("operator")
    return before, during, halted, held, after, restarted, rig.allowed()


def never(seen: Snapshot) -> bool:
    del seen
    return False


MUTATIONS: dict[str, Callable[[Row], Row]] = {
    "never acts": lambda row: replace(row, condition=never),
    "cuts nothing": lambda row: replace(row, cuts=frozenset()),
    "drops its latch": lambda row: replace(row, kind="permissive"),
}


def mutants() -> list[tuple[str, Row, Row]]:
    """Return every mutant that differs from its row: name, row, mutant."""
    made = []
    for row in TABLE:
        for name, mutate in MUTATIONS.items():
            mutant = mutate(row)
            if mutant != row:
                made.append((f"{row.name} {name}", row, mutant))
    return made


def score() -> tuple[int, int, list[str]]:
    """Return how many mutants were killed, how many were made, and the names of those that live."""
    made = mutants()
    living = [name for name, row, mutant in made if behaviour(mutant, row) == behaviour(row, row)]
    return len(made) - len(living), len(made), living
