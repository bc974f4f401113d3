"""What was read of the records, remembered until they change: at rest nothing in them moves from one round to the next.

What another process writes is found `LOOK_AGAIN_S` later at most. What befalls the file itself is found by whoever
looks by the date, too: it names the time among what its look depends on.
"""

from collections.abc import Callable
from typing import Generic, TypeVar

from saltern.ports import Clock
from saltern.records.store import Store

Said = TypeVar("Said")

LOOK_AGAIN_S = 35.0
"""So an alert that hangs on what another process wrote, on the file or on the date, is still raised within a minute."""


class Remembered(Generic[Said]):
    """What one look at the records said.

    Parameters
    ----------
    look
        Reads them.
    store, clock
        The records, and the time by which it is asked whether another process has written.
    """

    def __init__(self, look: Callable[[], Said], store: Store, clock: Clock) -> None:
        self._look = look
        self._store = store
        self._clock = clock
        self._kept: tuple[tuple[object, ...], Said] | None = None
        self._others, self._asked_s = -1, -LOOK_AGAIN_S

    def __call__(self, *depends: object) -> Said:
        """Return what the records say; they are looked at where they, or what else it depends on, have changed.

        Raises
        ------
        StorageError
            They could not be read; they are looked at again at the next call.
        """
        now_s, seen = self._clock.monotonic(), (self._store.changes, *depends)
        kept, self._kept, others = self._kept, None, self._others
        if now_s - self._asked_s >= LOOK_AGAIN_S:
            self._asked_s, others = now_s, self._store.changes_by_others
        if kept is None or kept[0] != seen or others != self._others:
            kept = seen, self._look()  # what changed since the look began is looked at the next time
        self._kept, self._others = kept, others
        return kept[1]
