"""What is opened by a name is opened again with a growing pause, aside, and lets no foreign error out."""

import threading
from dataclasses import replace
from itertools import pairwise

import pytest

from saltern.ports import DeviceUnavailableError, DriverError, Wires
from saltern_drivers.returning import FIRST_PAUSE_S, LONGEST_PAUSE_S, Returning, in_a_thread


@pytest.fixture
def plain(clock):
    return Wires(clock=clock, pins=None, pulses=None, open_serial=lambda *_, **__: None)


def returning(wires, open_handle, closed=None):
    made = Returning(
        open_handle, (closed if closed is not None else []).append, wires, "/dev/x", "failed", "Check the cable"
    )
    made.begin()
    return made


def missing():
    raise FileNotFoundError(2, "No such file or directory")


def fail(_):
    raise OSError(5, "Input/output error")


def test_it_is_tried_again_at_twice_the_pause_each_time_up_to_half_a_minute(plain, clock):
    tried_s = []

    def absent():
        tried_s.append(clock.monotonic())
        missing()

    port = returning(plain, absent)
    for _ in range(4000):
        with pytest.raises(DeviceUnavailableError, match="No such file"):
            port.use(len)
        clock.sleep(0.05)
    pauses = [round(later - sooner, 1) for sooner, later in pairwise(tried_s)]

    assert pauses[:8] == pytest.approx(
        [FIRST_PAUSE_S, 1.0, 2.0, 4.0, 8.0, 16.0, LONGEST_PAUSE_S, LONGEST_PAUSE_S], abs=0.11
    )


def test_only_what_has_worked_makes_the_pause_short_again(plain, clock):
    opened = []
    port = returning(plain, lambda: opened.append(clock.monotonic()) or "handle")

    def lost_and_opened():
        with pytest.raises(DeviceUnavailableError):
            port.use(fail)
        lost_s = clock.monotonic()
        while absent(port):
            clock.sleep(0.1)
        return clock.monotonic() - lost_s

    assert lost_and_opened() == pytest.approx(0.5, abs=0.11)
    assert lost_and_opened() == pytest.approx(1.0, abs=0.11)
    assert lost_and_opened() == pytest.approx(2.0, abs=0.11)
    port.worked()
    assert lost_and_opened() == pytest.approx(0.5, abs=0.11)
    assert port.openings == 5


def test_what_came_back_is_counted_once_each_time(plain, clock):
    port = returning(plain, lambda: "handle")
    assert port.connection.up
    for expected in (1, 2):
        with pytest.raises(DeviceUnavailableError):
            port.use(fail)
        assert not port.connection.up
        clock.sleep(60.0)
        port.use(len)
        port.use(len)
        assert (port.connection.up, port.connection.returns) == (True, expected)


def absent(port):
    """Return whether it is not there, which is known at once."""
    try:
        port.ready()
    except DeviceUnavailableError:
        return True
    return False


def test_an_opening_that_blocks_keeps_nobody_waiting(plain):
    """With an opening that never ends, every call returns at once: else this test would hang."""
    begun, may_end, closed = threading.Event(), threading.Event(), []

    def slow():
        begun.set()
        may_end.wait(60.0)
        return "second"

    opened = iter([lambda: "first", slow])
    port = returning(replace(plain, aside=in_a_thread), lambda: next(opened)(), closed)
    with pytest.raises(DeviceUnavailableError):
        port.use(fail)
    plain.clock.sleep(60.0)
    while not begun.is_set():
        assert absent(port)
    for _ in range(100):
        assert absent(port)
    port.close()
    may_end.set()
    while "second" not in closed:  # what opens after the end is closed again
        pass


def test_a_handle_that_blocks_when_it_is_closed_keeps_nobody_waiting_and_the_next_is_opened_after_it(plain):
    may_end, opened = threading.Event(), []
    wires = replace(plain, aside=in_a_thread)
    port = Returning(
        lambda: opened.append(may_end.is_set()) or "handle",
        lambda _: may_end.wait(60.0),
        wires,
        "/dev/x",
        "failed",
        "Check",
    )
    port.begin()
    with pytest.raises(DeviceUnavailableError):
        port.use(fail)
    plain.clock.sleep(60.0)
    for _ in range(100):
        assert absent(port)
    may_end.set()
    while len(opened) < 2:
        absent(port)

    assert opened == [False, True]
    port.close()


def test_without_a_thread_to_be_had_it_is_tried_again(plain, clock):
    def none(_):
        raise RuntimeError("can't start new thread")

    port = returning(replace(plain, aside=none), lambda: "handle")
    with pytest.raises(DeviceUnavailableError, match="can't start new thread"):
        port.use(len)
    port.close()


def test_what_can_never_be_opened_is_told_at_the_start(plain):
    def no_library():
        raise DriverError("the library is not installed", where="/dev/x", remedy="Install it")

    with pytest.raises(DriverError, match="not installed"):
        returning(plain, no_library)


def test_once_it_is_closed_it_stays_closed(plain, clock):
    closed = []
    port = returning(plain, lambda: "handle", closed)
    port.close()
    port.close()
    clock.sleep(60.0)
    with pytest.raises(DeviceUnavailableError, match="is closed"):
        port.use(len)
    assert closed == ["handle"]


def test_a_handle_that_refuses_to_close_is_let_go(plain, clock):
    def refuse(_):
        raise TypeError("argument must be an int, or have a fileno() method.")

    port = Returning(lambda: "handle", refuse, plain, "/dev/x", "failed", "Check")
    port.begin()
    with pytest.raises(DeviceUnavailableError):
        port.use(fail)
    clock.sleep(1.0)
    port.ready()
    port.close()


def test_two_threads_that_lose_it_at_once_open_it_once(plain):
    """A switch's callback says a halt while the control thread reads: both meet the same failure."""
    both, opened, foreign = threading.Barrier(2), [], []
    port = returning(plain, lambda: opened.append(1) or "handle")

    def fail_together(_):
        both.wait(60.0)
        raise OSError(5, "Input/output error")

    def use():
        try:
            port.use(fail_together)
        except DeviceUnavailableError:
            return
        except Exception as error:  # noqa: BLE001 - whatever comes is what is looked for
            foreign.append(error)

    other = threading.Thread(target=use)
    other.start()
    use()
    other.join(60.0)
    plain.clock.sleep(0.6)  # one failure, one pause
    port.use(len)

    assert foreign == []
    assert len(opened) == port.openings == 2
    assert port.connection.returns == 1
