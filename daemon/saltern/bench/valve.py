"""A normally closed valve in a pump's line: it is open only while the pump is permitted, and closes first."""

from contextlib import ExitStack

from saltern.ports import RunPermit


class ValvedPermit:
    """A pump's permit and its valve's as one: kicked together, and dropped valve first.

    Each is held by a one-shot of its own, so a process that hangs or dies lets both lapse. A proof that the permit cuts
    proves that one of the two does: what is behind a closed valve cannot be seen to turn.
    """

    def __init__(self, permit: RunPermit, valve: RunPermit) -> None:
        self.permit = permit
        self.valve = valve
        self.lapse_s = permit.lapse_s

    def kick(self) -> None:
        self.permit.kick()
        self.valve.kick()

    def drop(self) -> None:
        with ExitStack() as both:  # the last one in is the first one out, and one that fails does not keep the other
            both.callback(self.permit.drop)
            both.callback(self.valve.drop)

    def close(self) -> None:
        with ExitStack() as both:
            both.callback(self.permit.close)
            both.callback(self.valve.close)
