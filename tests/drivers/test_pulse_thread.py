"""What is known of the thread that sends pulses, on this kernel and on one that does not count waiting."""

import threading
import time

import pytest

from saltern.clock import RealClock
from saltern.ports import DeviceUnavailableError
from saltern_drivers import pulse_trains
from saltern_drivers.pulse_trains import LgpioPulseTrains, PulseThread, threads


class Library:
    """Takes every train."""

    TX_PWM = 0

    def tx_pulse(self, *_words):
        return 9

    def tx_room(self, *_words):
        return 9


@pytest.fixture
def sleepers():
    """Yield the threads that were started: one wakes often, as the pulse thread does, and one sleeps."""
    ending, before = threading.Event(), threads()

    def wakes():
        while not ending.wait(0.002):
            pass

    begun = [threading.Thread(target=ending.wait), threading.Thread(target=wakes)]
    for each in begun:
        each.start()
    time.sleep(0.1)
    yield threads() - before, begun[1].native_id
    ending.set()
    for each in begun:
        each.join()


def test_the_thread_that_wakes_often_is_the_one_that_sends_pulses(sleepers):
    started, sends = sleepers

    assert PulseThread(started)._id == sends


def test_where_neither_waiting_is_counted_nor_priority_permitted_a_stepper_is_refused(sleepers, monkeypatch):
    """Unknown lateness is not none: its count of steps would be a guess."""
    monkeypatch.setattr(pulse_trains, "_waited_ns", lambda thread: None)
    thread = PulseThread(sleepers[0])

    with pytest.raises(DeviceUnavailableError, match="late pulses cannot be seen"):
        LgpioPulseTrains(Library(), 0, RealClock(), thread).prepare(17)


@pytest.mark.parametrize("counted", [0, 5_000_000])
def test_where_waiting_is_counted_a_stepper_opens(sleepers, monkeypatch, counted):
    monkeypatch.setattr(pulse_trains, "_waited_ns", lambda thread: counted)
    trains = LgpioPulseTrains(Library(), 0, RealClock(), PulseThread(sleepers[0]))

    trains.prepare(17)

    assert trains.lateness_s() == pytest.approx(counted * 1e-9, abs=0.01)
