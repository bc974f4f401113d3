"""The node's own float: it stops sample and titrant by itself, never waste, and not for a spark."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from saltern.ports import DriverError
from tests.node.boards import Here, firmware
from tests.node.harness import TICK_MS
from tests.node.host import RATE, Host


def turning(host, pump, steps=20_000, for_s=0.6):
    """Begin a motion that goes on."""
    host.use(pump)
    host.permit.kick()
    host.pump.start(steps)
    keep_on(host, for_s)


def keep_on(host, for_s):
    """Go on as the bench does; return the error that ends it, if one does."""
    end_s = host.clock.monotonic() + for_s
    while (left_s := end_s - host.clock.monotonic()) > 1e-9:
        try:
            host.pump.progress()
        except DriverError as error:
            return error
        host.clock.sleep(min(left_s, 0.05))
        host.permit.kick()
    return None


def opened(host, for_ms):
    """Open the float's circuit for so long."""
    host.port.look(float=True)
    host.clock.sleep(for_ms / 1000.0)
    host.port.look(float=False)


@pytest.mark.parametrize("pump", ["sample", "titrant"])
def test_an_open_float_stops_what_adds_within_a_quarter_of_a_second_whoever_asks(host, pump):
    turning(host, pump)
    before = host.total()
    host.port.look(float=True)
    host.clock.sleep(0.25)
    stood = host.total()

    assert before > 0
    assert host.port.look()["turning"] == [False, False, False]
    assert stood - before <= RATE * 0.065
    error = keep_on(host, 1.0)
    assert "stopped for its float" in str(error)
    assert host.pump.progress().at_least == host.pump.progress().at_most == host.total() == stood
    host.port.look(float=False)
    with pytest.raises(DriverError, match="stopped for its float"):
        host.turn(100, until_s=5.0)


@pytest.mark.parametrize("for_ms", [1, TICK_MS, 20, 45])
def test_a_spark_at_the_floats_wire_neither_stops_nor_latches(here, for_ms):
    turning(here, "titrant", 4000)
    for _ in range(10):
        opened(here, for_ms)
        assert keep_on(here, 0.1) is None
    assert here.port.look()["latches"] == 0
    assert keep_on(here, 3.0) is None
    assert here.total() == here.pump.progress().at_least == 4000


def test_a_float_that_chatters_is_up():
    """Open most of the time, but never for 50 ms: water stands at it, or its wire is about to break."""
    host = Host(Here())
    turning(host, "sample")
    for _ in range(20):
        opened(host, 40)
        host.clock.sleep(0.01)
        host.permit.kick()
    assert host.port.look()["turning"] == [False, False, False]


def test_waste_runs_through_an_open_float_and_begins_beside_one(here):
    """Whatever filled the vessel, the waste pump is what empties it."""
    turning(here, "waste", 3000)
    here.port.look(float=True)
    assert keep_on(here, 3.0) is None
    assert here.pump.progress().at_least == here.total() == 3000
    assert here.turn(500).at_least == 500


def test_waste_empties_the_vessel_after_the_float_has_latched(host):
    turning(host, "titrant")
    host.port.look(float=True)
    assert keep_on(host, 1.0) is not None
    assert host.port.look()["latches"] & 2
    host.use("waste")
    assert host.turn(2000).at_least == 2000
    host.port.look(float=False)
    for pump in ("sample", "titrant"):
        host.use(pump)
        progress, error = host.ends(100, until_s=5.0)
        assert progress.at_most == 0
        assert "waste is not" in str(error)


def test_the_hosts_silence_stops_all_waste_too(here):
    turning(here, "waste")
    before = here.total()
    here.clock.sleep(2.0)

    assert here.total() - before <= RATE * 0.51
    assert here.port.look()["latches"] & 1
    assert "heard nothing" in str(keep_on(here, 1.0))
    assert here.pump.progress().at_least == here.pump.progress().at_most == here.total()


def test_a_float_that_is_up_at_rest_refuses_until_it_comes_down(here):
    here.port.look(float=True)
    here.clock.sleep(0.2)
    progress, error = here.ends(100, until_s=5.0)
    assert (progress.at_most, here.total()) == (0, 0)
    assert "float" in str(error)
    assert here.port.look()["latches"] == 0
    here.port.look(float=False)
    here.clock.sleep(0.2)

    assert here.turn(100).at_least == 100


def test_a_float_that_has_come_down_needs_hands_at_the_node(here):
    turning(here, "titrant")
    here.port.look(float=True)
    here.clock.sleep(0.1)
    assert here.port.look()["latches"] & 2
    here.pump.halt()
    before = here.total()
    here.port.look(float=False)
    here.clock.sleep(0.2)

    with pytest.raises(DriverError, match="stopped for its float") as caught:
        here.turn(100, until_s=5.0)
    assert "supply" in caught.value.remedy
    assert here.total() == before
    here.port.look(boot=77)
    assert here.turn(100).at_least == 100


SPELLS = st.lists(st.tuples(st.integers(1, 400), st.integers(1, 400)), min_size=1, max_size=12)


@settings(max_examples=40, deadline=None)
@given(SPELLS)
def test_whatever_the_float_does_waste_goes_its_whole_way(spells):
    host = Host(Here())
    turning(host, "waste", 5000, for_s=0.2)
    for open_ms, closed_ms in spells:
        host.port.look(float=True)
        assert keep_on(host, open_ms / 1000.0) is None
        host.port.look(float=False)
        assert keep_on(host, closed_ms / 1000.0) is None
    assert keep_on(host, 4.0) is None
    assert host.pump.progress().at_least == host.total() == 5000


@settings(max_examples=40, deadline=None)
@given(SPELLS)
def test_what_adds_stops_when_the_float_is_open_for_long_and_not_for_short_spells(spells):
    host = Host(Here())
    turning(host, "sample", 100_000, for_s=0.2)
    for open_ms, closed_ms in spells:
        host.port.look(float=True)
        keep_on(host, open_ms / 1000.0)
        host.port.look(float=False)
        keep_on(host, closed_ms / 1000.0)
        if open_ms >= 50 + 2 * TICK_MS:
            assert not host.port.look()["turning"][0]
    if all(open_ms <= 45 - TICK_MS and closed_ms >= 30 for open_ms, closed_ms in spells):
        assert host.port.look()["turning"][0]
        assert host.port.look()["latches"] == 0


@given(st.lists(st.tuples(st.booleans(), st.integers(0, 400)), max_size=60))
def test_the_filter_needs_five_looks_and_a_quarter_of_a_second_at_most(looks):
    """Also where the loop pauses: up takes five open looks, and what is open for good is up after 50 ms of looking."""
    fake, now, opened_looks = firmware().Float(), 0, 0
    for is_open, pause in looks:
        now += pause
        opened_looks = opened_looks + 1 if is_open else opened_looks
        if fake.look(is_open, now):
            assert opened_looks >= 5
    for _ in range(25):
        now += 10
        fake.look(True, now)
    assert fake.up
    for _ in range(3):
        now += 10
        fake.look(False, now)
    assert not fake.up
