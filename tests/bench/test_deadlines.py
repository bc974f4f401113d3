"""Whatever row of the table begins to hold while a pump turns, that pump stands a quarter of a second later."""

import pytest

from saltern.bench.interlocks import TABLE
from saltern.errors import SalternError
from tests.bench.test_interlocks import CAUSES, WELL
from tests.twin_bench import TwinBench

DEADLINE_S = 0.25


def play(row, role):
    """Let the row's cause arise a second after the pump has begun; return how long the pump went on turning."""
    twin = TwinBench()
    bench, guard = twin.bench, twin.bench.guard
    look = guard._look
    arises_s = None

    def look_and_find(seen):
        look(seen)
        if arises_s is not None and twin.clock.monotonic() >= arises_s:
            for name, value in {"waste_room_ml": WELL.waste_room_ml, **CAUSES[row.name]}.items():
                setattr(seen, name, value)

    guard._look = look_and_find
    if role == "waste":
        arises_s = twin.clock.monotonic() + 1.0
        with pytest.raises(SalternError):
            bench.drain()
    else:
        bench.drain()
        arises_s = twin.clock.monotonic() + 1.0
        with pytest.raises(SalternError), bench.stage("fill", **{f"{role}_ml": 10.0}):
            bench.add(role, 10.0)
    bench.wait(5.0)
    return twin.world.pumps[role].last_moved_s - arises_s


@pytest.mark.parametrize(
    ("row", "role"), [(row, role) for row in TABLE for role in sorted(row.cuts)], ids=lambda v: getattr(v, "name", v)
)
def test_a_row_that_begins_to_hold_stops_what_it_cuts_in_time(row, role):
    went_on_s = play(row, role)

    assert -1.0 < went_on_s <= DEADLINE_S
