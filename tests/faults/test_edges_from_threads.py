"""Switch edges come from foreign threads at any moment: between the look and the kick, in a start, in a halt."""

import random
import threading
from dataclasses import fields

import pytest

from saltern.bench.guard import Guard
from saltern.bench.interlocks import TABLE
from saltern.clock import VirtualClock
from saltern.errors import InterlockError
from tests.bench.test_interlocks import WELL
from tests.twin_bench import MemoryStore

ROUNDS = 300


class Line:
    """A drive and permit that note, in one order for all threads, what was done to them."""

    lapse_s = 0.5

    def __init__(self, log):
        self.log = log
        self.running = False

    def halt(self):
        self.running = False
        self.log.append("halt")

    def drop(self):
        self.log.append("drop")

    def kick(self):
        self.log.append("kick")

    def start(self):
        self.running = True
        self.log.append("start")


@pytest.mark.parametrize("row", ["overfill", "leak", "stop"])
def test_an_edge_during_a_start_leaves_the_pump_cut_at_the_next_scan_at_the_latest(row):
    """The switch's own state lags by its debounce; the edge alone must do, whenever it comes."""
    dice = random.Random(4)
    for _ in range(ROUNDS):
        log = []
        pumps = {role: Line(log) for role in ("sample", "waste", "titrant")}
        guard = Guard(pumps, pumps, lambda seen: _look(seen), VirtualClock(), MemoryStore(), TABLE)
        go = threading.Barrier(2)

        count = dice.randrange(2000)

        def fire(guard=guard, go=go, spins=count):
            go.wait()
            for _ in range(spins):
                pass
            guard.edge(row)

        thread = threading.Thread(target=fire)
        thread.start()
        go.wait()
        try:
            guard.demand("sample")
            pumps["sample"].kick()
            pumps["sample"].start()
            guard.scan(("sample",))
        except InterlockError:
            pass
        thread.join()
        cut = guard.scan(("sample",))

        assert "sample" in cut
        assert not pumps["sample"].running
        assert log[-2:] == ["drop", "halt"] or "kick" not in log[log.index("drop") :][2:]
        with pytest.raises(InterlockError):
            guard.demand("sample")


def _look(seen):
    for name in (f.name for f in fields(seen)):
        setattr(seen, name, getattr(WELL, name))
