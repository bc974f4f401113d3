"""What the guard cuts it stops everywhere, whatever one of the devices does."""

from dataclasses import fields

import pytest
from hypothesis import given
from hypothesis import strategies as st

from saltern.bench.guard import Guard
from saltern.bench.interlocks import ALL_PUMPS, TABLE, Snapshot
from saltern.clock import VirtualClock
from saltern.errors import SalternError


class Head:
    """A pump's drive and permit, of which one may be gone."""

    def __init__(self, gone=None):
        self.gone = gone
        self.turning, self.permitted = True, True

    def halt(self):
        self.turning = False
        self._fail("drive")

    def drop(self):
        self.permitted = False
        self._fail("permit")

    def kick(self):
        self.permitted = True

    def _fail(self, what):
        if self.gone == what:
            raise SalternError("the port failed", where=what, remedy="Check the cable")


class NoLatches:
    def load_latches(self):
        return []


@pytest.mark.parametrize("gone", ["drive", "permit"])
@pytest.mark.parametrize("which", sorted(ALL_PUMPS))
@pytest.mark.parametrize("act", ["scan", "edge"])
def test_a_device_that_is_gone_keeps_no_other_pump_turning(gone, which, act):
    heads = {role: Head(gone if role == which else None) for role in sorted(ALL_PUMPS)}
    guard = Guard(heads, heads, lambda seen: None, VirtualClock(), NoLatches())

    with pytest.raises(SalternError, match="port failed"):
        guard.scan() if act == "scan" else guard.edge("stop")

    assert [role for role, head in heads.items() if head.turning or head.permitted] == []


SEEN = [
    (field.name, {bool: st.booleans(), int: st.integers(0, 2)}.get(field.type, st.sampled_from((0.0, 1.0, 300.0))))
    for field in fields(Snapshot)
]


@given(st.lists(st.sampled_from(SEEN).flatmap(lambda one: st.tuples(st.just(one[0]), one[1])), max_size=60))
def test_each_scan_acts_on_what_is_seen_in_it_and_not_on_what_was_seen_before(changes):
    """One field changes from scan to scan, and back: the guard asks the rows anew only where something has."""
    left = iter(changes)

    def look(seen):
        for name, value in [next(left, (None, None))]:
            if name is not None:
                setattr(seen, name, value)

    heads = {role: Head() for role in sorted(ALL_PUMPS)}
    guard = Guard(heads, heads, look, VirtualClock(), NoLatches())
    for _ in range(len(changes) + 1):
        cut = guard.scan()
        holding = {row.name for row in TABLE if row.condition(guard.snapshot)}
        acting = {row.name for row in guard.acting}
        assert holding <= acting
        assert all(row.kind == "trip" for row in guard.acting if row.name not in holding)
        assert cut == frozenset().union(*(row.cuts for row in guard.acting)) & ALL_PUMPS
