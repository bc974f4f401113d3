"""What was read of the records, remembered until they change: at rest nothing in them moves from one round to the next.

What another process writes is found `store.LOOK_AGAIN_S` later at most. What befalls the file itself is found by
whoever looks by the date, too: it names the time among what its look depends on.
"""

from collections.abc import Callable
from typing import Generic, TypeVar

from saltern.records.store import Store

Said = TypeVar("Said")


class Remembered(Generic[Said]):
    """What one look at the records said.

    Parameters
    ----------
    look
        Reads them.
    store
        The records.
    """

    def __init__(self, look: Callable[[], Said], store: Store) -> None:
        self._look = look
        self._store = store
        self._kept: tuple[tuple[object, ...], Said] | None = None

    def __call__(self, *depends: object) -> Said:
        """Return what the records say; they are looked at where they, or what else it depends on, have changed.

        Raises
        ------
        StorageError
            They could not be read; they are looked at again at the next call.
        """
        kept, self._kept = self._kept, None
        seen = (self._store.changes, self._store.changes_by_others, *depends)
        if kept is None or kept[0] != seen:
            kept = seen, self._look()  # what changed since the look began is looked at the next time
        self._kept = kept
        return kept[1]
