"""A line that drops in mid-motion, lost frames, resets and floats at any instant: the interval holds the truth."""

import errno

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from saltern.ports import DeviceUnavailableError, DriverError
from tests.node.boards import Here
from tests.node.host import Host

UNPLUGGED = OSError(errno.ENODEV, "No such device")
PART_S = 0.02
SPARE_MS = 10  # a round of the node's loop, and what the frame takes


def pass_time(host, seconds):
    """Let time pass in small parts, so that a judge sees each."""
    end_s = host.clock.monotonic() + seconds
    while (left_s := end_s - host.clock.monotonic()) > 1e-9:
        host.clock.sleep(min(left_s, PART_S))


def turn(host, steps, at, scans=True):
    """Turn as the bench does, to the motion's end or its error; `at` are (s, act) that happen meanwhile."""
    left = sorted(at, key=lambda one: one[0])
    began_s, error = host.clock.monotonic(), None
    try:
        host.permit.kick()
        host.pump.start(steps)
        while host.pump.progress().running and host.clock.monotonic() - began_s < 30.0:
            due_s = left[0][0] - (host.clock.monotonic() - began_s) if left else 1.0
            pass_time(host, min(0.1, max(0.0, due_s)))
            while left and host.clock.monotonic() - began_s >= left[0][0] - 1e-9:
                left.pop(0)[1]()
            if scans:
                host.permit.kick()
    except DriverError as caught:
        error = caught
    for close in (host.pump.halt, host.permit.drop):
        try:
            close()
        except DriverError as caught:
            error = error or caught
    return host.pump.progress(), error


def test_a_converter_that_is_unplugged_ends_the_motion_and_is_used_again_when_it_is_back(host):
    def unplug():
        host.port.gone = UNPLUGGED

    before = host.total()
    progress, error = turn(host, 20_000, [(0.8, unplug)])
    assert isinstance(error, DeviceUnavailableError)
    assert not progress.running
    host.clock.sleep(2.0)
    moved = host.total() - before
    assert progress.at_least <= moved <= progress.at_most
    assert 0 < progress.at_least < progress.at_most < 20_000

    for _ in range(3):  # still away: said, and nothing is done
        away, error = turn(host, 500, [])
        assert isinstance(error, DeviceUnavailableError)
        assert not away.running
    assert host.total() - before == moved

    host.port.gone = None
    host.clock.sleep(31.0)  # a name is tried again after half a minute at most
    assert host.port.look()["latches"] & 1
    progress, error = turn(host, 700, [])
    assert (error, progress.at_least, progress.at_most) == (None, 700, 700)
    assert host.total() - before == moved + 700
    assert host.port.look()["latches"] == 0


def test_a_converter_whose_board_has_reset_meanwhile_is_used_again(here):
    def unplug():
        here.port.gone = UNPLUGGED

    turn(here, 20_000, [(0.6, unplug)])
    here.port.look(boot=4711)
    here.clock.sleep(1.0)
    here.port.gone = None

    progress, error = turn(here, 700, [])
    assert (error, progress.at_least, progress.at_most) == (None, 700, 700)


def test_a_line_that_drops_for_a_moment_between_two_polls_costs_the_motion_and_not_the_truth(here):
    """What raised once may answer at once again: the node is halted then, and the next motion begins."""

    def blink():
        here.port.gone = UNPLUGGED
        try:
            here.pump.progress()
        finally:
            here.port.gone = None

    before = here.total()
    progress, error = turn(here, 4000, [(0.5, blink)])
    here.clock.sleep(1.0)
    assert isinstance(error, DeviceUnavailableError)
    assert progress.at_least <= here.total() - before <= progress.at_most
    assert turn(here, 700, [])[0].at_least == 700


def test_a_permit_that_could_not_be_sent_is_sent_with_the_next_kick():
    host = Host(Here())
    host.port.gone = UNPLUGGED
    with pytest.raises(DeviceUnavailableError):
        host.permit.kick()
    host.port.gone = None
    host.clock.sleep(1.0)
    host.permit.kick()

    assert [mask for _, mask in host.port.permits] == [4]


def test_a_motion_whose_halt_was_lost_is_not_run_on_by_the_next_ones_permit(here):
    """Halt and withdrawal both lost: the next kick permits the old motion too. It is halted, and counted."""
    here.permit.kick()
    here.pump.start(20_000)
    for _ in range(5):
        here.pump.progress()
        here.clock.sleep(0.1)
        here.permit.kick()
    here.port.silent = True
    here.pump.halt()
    here.permit.drop()
    first = here.pump.progress()
    here.clock.sleep(0.1)
    here.port.silent = False
    second, error = turn(here, 300, [])
    here.clock.sleep(1.0)

    assert "still turning" in str(error)
    assert here.port.look()["turning"] == [False, False, False]
    assert first.at_least <= here.total() <= first.at_most + second.at_most
    assert turn(here, 300, [])[0].at_least == 300


def test_a_motion_whose_halt_was_lost_counts_while_the_node_does_not_answer(here):
    """What asks for the next motion permits the old one, and hears nothing: that much is said of it."""
    here.permit.kick()
    here.pump.start(20_000)
    for _ in range(8):
        here.pump.progress()
        here.clock.sleep(0.1)
        here.permit.kick()
    here.port.silent = True
    here.pump.halt()
    here.permit.drop()
    first = here.pump.progress()
    here.clock.sleep(0.1)
    here.port.silent, here.port.to_host = False, lambda data: b""
    here.port.to_node = lambda data: data if data[3] == 1 else b""  # permits alone get through
    second, error = turn(here, 300, [])
    here.clock.sleep(1.0)

    assert isinstance(error, DriverError)
    assert first.at_least <= here.total() <= first.at_most + second.at_most
    assert here.total() > first.at_most


def test_a_start_that_is_asked_for_again_after_a_reset_is_two_motions(host):
    """The first was under way when the node reset, and its answer was lost; the second begins from nothing."""
    host.port.to_host = lambda data: b"" if len(data) == 8 and data[3] >= 16 else data

    def reset():
        assert host.total() > 20
        host.port.look(boot=55)
        host.port.to_host = lambda data: data

    progress, error = turn(host, 4000, [(0.4, reset)])
    host.clock.sleep(1.0)

    assert "has reset" in str(error)
    assert progress.at_least <= host.total() <= progress.at_most


FAULTS = ["float", "spark", "reset", "unplug", "silence", "halt", "drop", "lose an answer", "nothing"]


def events(kinds):
    return st.lists(st.tuples(st.floats(0.0, 2.5), st.sampled_from(kinds), st.integers(1, 900)), max_size=4)


MOTION = st.tuples(
    st.sampled_from(["sample", "waste", "titrant"]),
    st.integers(1, 4000) | st.integers(3000, 5000),
    events(FAULTS) | events(["float", "spark"]),
    st.booleans(),
)


class Happening:
    """What happens to a node and its line, by name."""

    def __init__(self, host):
        self.host, self.nonce = host, 100

    def act(self, what, for_ms):
        host = self.host
        if what in ("float", "spark"):
            host.port.look(float=True)
            host.clock.call_later(min(for_ms, 40) / 1000.0 if what == "spark" else for_ms / 1000.0, self.float_down)
        elif what == "reset":
            self.nonce += 1
            host.port.look(boot=self.nonce)
        elif what == "unplug":
            host.port.gone = UNPLUGGED
            host.clock.call_later(for_ms / 1000.0, self.plug_in)
        elif what == "silence":
            host.port.silent = True
            host.clock.call_later(for_ms / 1000.0, self.speak)
        elif what == "halt":
            host.pump.halt()
        elif what == "drop":
            host.permit.drop()
        elif what == "lose an answer":
            host.port.to_host = self.lose

    def float_down(self):
        self.host.port.look(float=False)

    def plug_in(self):
        self.host.port.gone = None

    def speak(self):
        self.host.port.silent = False

    def lose(self, data):
        self.host.port.to_host = lambda data: data
        return b""


class Judge:
    """Looks at the board's motors at every instant: nothing turns without a permit that the node heard in time."""

    def __init__(self, host):
        self.host, self.was = host, [0, 0, 0]
        host.clock.attach(self.look)

    def look(self, _):
        seen = self.host.port.last
        now_s = self.host.clock.monotonic()
        for number, total in enumerate(seen["total"]):
            if total > self.was[number]:
                heard = self.host.port.permits
                assert heard, "it turned without ever having been permitted"
                at_s, mask = heard[-1]
                spare_s = PART_S + SPARE_MS / 1000.0
                assert now_s - at_s <= (0.5 if mask >> number & 1 else 0.0) + spare_s
        self.was = seen["total"]
        assert seen["unpermitted_ms"] <= 500 + SPARE_MS


def hold(motions):
    """Turn, let happen what happens, and look at what was done."""
    host = Host(Here())
    Judge(host)
    happening = Happening(host)
    for pump, steps, faults, scans in motions:
        host.use(pump)
        before = host.total()
        at = [(s, lambda what=what, ms=ms: happening.act(what, ms)) for s, what, ms in faults]
        progress, error = turn(host, steps, at, scans)
        pass_time(host, 1.5)  # whatever it was, it is over: the line is back, the float is down, the permit has lapsed
        moved = host.total() - before

        assert not progress.running
        assert progress.at_least <= moved <= progress.at_most
        assert host.port.look()["turning"] == [False, False, False]
        if pump == "waste" and scans and {what for _, what, _ in faults} <= {"float", "spark", "nothing"}:
            assert (error, progress.at_least) == (None, steps)
        if pump != "waste" and scans and {what for _, what, _ in faults} <= {"nothing"}:
            assert progress.at_least == steps or "float" in str(error)


@settings(max_examples=60, deadline=None)
@given(st.lists(MOTION, min_size=1, max_size=4))
def test_whatever_happens_and_when_the_truth_is_in_the_interval_and_waste_obeys(motions):
    hold(motions)


@pytest.mark.soak
@settings(max_examples=20_000, deadline=None)
@given(st.lists(MOTION, min_size=1, max_size=6))
def test_so_it_is_twenty_thousand_times(motions):
    hold(motions)
