"""What was read of the records, remembered until they change: at rest nothing in them moves from one round to the next.

What befalls the file itself, and what another process writes, is found at the next look: `LOOK_AGAIN_S` later at most.
"""

from collections.abc import Callable
from typing import Generic, TypeVar

from saltern.ports import Clock
from saltern.records.store import Store

Said = TypeVar("Said")

LOOK_AGAIN_S = 50.0
"""So an alert that hangs on the file, or on the date, is still raised within a minute."""


class Remembered(Generic[Said]):
    """What one look at the records said.

    Parameters
    ----------
    look
        Reads them.
    store, clock
        The records, and the time by which a look grows old.
    """

    def __init__(self, look: Callable[[], Said], store: Store, clock: Clock) -> None:
        self._look = look
        self._store = store
        self._clock = clock
        self._kept: tuple[tuple[object, ...], float, Said] | None = None

    def __call__(self, *depends: object) -> Said:
        """Return what the records say; they are looked at where they, or what else it depends on, have changed.

        Raises
        ------
        StorageError
            They could not be read; they are looked at again at the next call.
        """
        now_s, seen = self._clock.monotonic(), (self._store.changes, *depends)
        kept = self._kept
        if kept is not None and now_s - kept[1] < LOOK_AGAIN_S and kept[0] == seen:
            return kept[2]
        self._kept = None
        said = self._look()
        self._kept = seen, now_s, said  # what changed since the look began is looked at the next time
        return said
