"""What SQLite says of a disk and of a file, as an error that says what to do about it."""

import sqlite3

from saltern.errors import StorageError

OF_THE_DISK = ("full", "readonly", "read-only", "locked", "unable to open", "disk I/O")


def storage_error(error: sqlite3.Error, where: str, what: str) -> StorageError:
    """Say what SQLite meant, and what to do about it."""
    text = str(error)
    remedies = {
        "full": "Make room on the disk; nothing that was kept is lost",
        "readonly": "Make the file and its folder writable for the service's user",
        "read-only": "Make the file and its folder writable for the service's user",
        "locked": "Another process writes to it; stop that one",
        "malformed": "Stop the service; the next start moves the file aside. Restore from a backup",
        "not a database": "Give the path of Saltern's records",
        "unable to open": "Check the path and that its folder exists and is writable",
    }
    remedy = next((advice for sign, advice in remedies.items() if sign in text), "Check the disk and its messages")
    return StorageError(f"{what} ({text})", where=where, remedy=remedy)


def is_of_the_disk(error: sqlite3.Error) -> bool:
    """Return whether the disk is what fails, and not the file on it."""
    return any(sign in str(error) for sign in OF_THE_DISK)
