"""Putting ledger and trips on the disk, pumps at rest: the trips first, so that no ledger outlives its trip."""

from saltern.bench.account import Account
from saltern.bench.bookkeeping import LedgerStore
from saltern.bench.guard import Guard
from saltern.errors import StorageError
from saltern.model.ledger import Ledger


class Commits:
    """The way from the account to the records."""

    def __init__(self, account: Account, guard: Guard, store: LedgerStore) -> None:
        self._account = account
        self._guard = guard
        self._store = store

    def commit(self, ledger: Ledger, reason: str) -> None:
        """Put a ledger on the disk; it is not yet the one in force.

        Raises
        ------
        StorageError
            The disk did not take it; nothing is added to the vessel until it takes one.
        """
        try:
            self._guard.save()
            self._store.commit_ledger(ledger, reason)
        except StorageError:
            self._account.storage_failed = True
            raise
        self._account.storage_failed = False
        self._account.on_disk = ledger

    def promise(self, ledger: Ledger, reason: str) -> None:
        """Put on the disk what is about to be moved, before a pump turns; `settle` comes after it.

        A disk that takes nothing more may hold such a promise already, of a stage that did not end: under that as much
        may be moved. So the probes are wetted after a titration in which the disk filled up.

        Raises
        ------
        StorageError
            The disk did not take it, and holds no promise of as much.
        """
        try:
            self.commit(ledger, reason)
        except StorageError:
            if not self._account.promises(ledger):
                raise
            self._account.covered = True

    def settle(self, ledger: Ledger, reason: str) -> None:
        """Put on the disk what has moved.

        Raises
        ------
        StorageError
            The disk took the promise, and does not take this.
        """
        if self._account.covered:
            self._account.covered = False
            self.commit_if_possible(ledger, reason)
        else:
            self.commit(ledger, reason)

    def commit_if_possible(self, ledger: Ledger, reason: str) -> None:
        """Commit, or leave it at the interlock that a failed commit sets, which also alerts."""
        try:
            self.commit(ledger, reason)
        except StorageError:
            self._guard.scan()

    def take_up(self, ledger: Ledger, reason: str) -> None:
        """Commit a ledger that a keeper's act changed, a new bottle or an emptied container, and let it count."""
        self.commit(ledger, reason)
        self._account.ledger = ledger
        self._guard.scan()

    def storage_works(self) -> bool:
        """Return whether the ledger can be committed; what has failed before is tried again, pumps at rest."""
        if self._account.storage_failed:
            self.commit_if_possible(self._account.ledger, "tried again")
        return not self._account.storage_failed
