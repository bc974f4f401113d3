"""What the guard cuts it stops everywhere, whatever one of the devices does."""

import pytest

from saltern.bench.guard import Guard
from saltern.bench.interlocks import ALL_PUMPS
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
