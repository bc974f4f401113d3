"""Serial ports in virtual time."""

from collections.abc import Iterable, Sequence

from saltern.ports import Clock

Answer = tuple[float, bytes]
"""Bytes that arrive, and after how many seconds."""


class VirtualPort:
    """What pyserial's port is to a driver, for whatever board stands at its other end.

    Bytes that have arrived can be read, each from its instant on. A board of your own is a subclass that calls `say`
    in its `write`.

    Parameters
    ----------
    clock
        Whose time it is.
    """

    def __init__(self, clock: Clock) -> None:
        self.clock = clock
        self.arriving: list[tuple[float, bytes]] = []  # when, what
        self.ready = b""
        self.closed = False
        self.broken = False
        """Set it, and the port raises what the system does when a converter is pulled."""

    def say(self, *answers: Answer) -> None:
        """Let these arrive, each a delay in seconds and its bytes."""
        self.arriving += [(self.clock.monotonic() + delay_s, data) for delay_s, data in answers]

    @property
    def in_waiting(self) -> int:
        if self.broken:
            raise OSError(5, "gone")
        now_s = self.clock.monotonic()
        self.ready += b"".join(data for due_s, data in self.arriving if due_s <= now_s)
        self.arriving = [(due_s, data) for due_s, data in self.arriving if due_s > now_s]
        return len(self.ready)

    def read(self, size: int = 1) -> bytes:
        part, self.ready = self.ready[:size], self.ready[size:]
        return part

    def write(self, data: bytes) -> int | None:
        """Take what is written; nobody answers."""
        return len(data)

    def reset_input_buffer(self) -> None:
        """Drop what has arrived, and not what is still on its way."""
        if self.in_waiting:
            self.ready = b""

    def close(self) -> None:
        self.closed = True


class ScriptedPort(VirtualPort):
    """A port that plays a conversation: each expected write is answered by bytes, each after its delay.

    Parameters
    ----------
    clock
        Whose time it is.
    conversation
        What must be written, in order, and what answers each.
    """

    def __init__(self, clock: Clock, conversation: Iterable[tuple[bytes, Sequence[Answer]]]) -> None:
        super().__init__(clock)
        self.conversation = list(conversation)

    def write(self, data: bytes) -> int | None:
        """Answer what was expected.

        Raises
        ------
        AssertionError
            Something else was written, or more than the conversation has.
        """
        expected, answers = self.conversation.pop(0) if self.conversation else (None, ())
        if data != expected:
            msg = f"{data!r} was written instead of {expected!r}"
            raise AssertionError(msg)
        self.say(*answers)
        return len(data)

    def assert_used_up(self) -> None:
        """Demand that all of the conversation took place, and that every byte of it was read.

        Raises
        ------
        AssertionError
            With what is left.
        """
        left = self.ready + b"".join(data for _, data in self.arriving)
        if self.conversation or left:
            msg = f"left over: {self.conversation!r} of the conversation, {left!r} of the answers"
            raise AssertionError(msg)
