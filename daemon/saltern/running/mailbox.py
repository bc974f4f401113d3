"""What other threads ask of the control thread, in order, and not without bound."""

import queue
from collections.abc import Callable, Iterator

from saltern.rpc.protocol import BusyError

Posted = Callable[[], object]

MOST = 64
"""More than all clients can sensibly have asked (assumed); whoever comes next is refused and may ask again."""


class Mailbox:
    """Acts that wait for the control thread."""

    def __init__(self) -> None:
        self._acts: queue.SimpleQueue[Posted] = queue.SimpleQueue()  # may be put into by a signal handler
        self._for_records: queue.SimpleQueue[Posted] = queue.SimpleQueue()

    def put(self, act: Posted) -> None:
        """Leave an act, from any thread or signal handler.

        Raises
        ------
        BusyError
            Too many wait already.
        """
        _put(self._acts, act)

    def put_for_records(self, act: Posted) -> None:
        """Leave an act that touches the records and no pump: it is done at the next rest, also of what is under way.

        It must not raise.

        Raises
        ------
        BusyError
            Too many wait already.
        """
        _put(self._for_records, act)

    def take_for_records(self) -> Iterator[Posted]:
        """Yield the acts that wait for the records."""
        while not self._for_records.empty():
            yield self._for_records.get_nowait()

    def take(self) -> Posted | None:
        """Return the next act, or None."""
        try:
            return self._acts.get_nowait()
        except queue.Empty:
            return None

    def empty(self) -> bool:
        return self._acts.empty() and self._for_records.empty()


def _put(acts: "queue.SimpleQueue[Posted]", act: Posted) -> None:
    if acts.qsize() >= MOST:
        raise BusyError(
            f"{MOST} commands are already waiting for the bench", where="mailbox", remedy="Wait a little, and ask again"
        )
    acts.put(act)
