"""A picture that takes its time, or fails, holds up nobody who asks for one."""

import threading

from saltern.cli.logs import quiet_logs
from saltern.running.when_asked import WhenAsked
from tests.processes import until


def test_who_asks_does_not_wait_and_many_askings_make_one_picture():
    goes_on, given = threading.Event(), []

    def give(status):
        given.append(status)
        goes_on.wait(60.0)

    showing = WhenAsked("showing", lambda: give({"n": len(given)}))
    try:
        until(lambda: len(given) == 1)
        for _ in range(1000):
            showing.ask()  # while one is being given
        goes_on.set()
        until(lambda: len(given) == 2)
    finally:
        goes_on.set()
        showing.close()
    assert len(given) == 2


def test_a_picture_that_fails_is_not_the_last():
    quiet_logs()
    drawn, given = [], []

    def draw():
        drawn.append(1)
        if len(drawn) == 1:
            raise ZeroDivisionError
        return {"n": len(drawn)}

    showing = WhenAsked("showing", lambda: given.append(draw()))
    try:
        until(lambda: len(drawn) == 1)
        showing.ask()
        until(lambda: given == [{"n": 2}])
    finally:
        showing.close()
