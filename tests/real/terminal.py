"""A converter at a USB port, and the serial line behind it: a pseudo-terminal of the kernel under a stable name."""

import os
import threading
import time
import tty
from contextlib import suppress
from pathlib import Path

BITS_A_BYTE = 10  # with start and stop bit


class Terminal:
    """One converter, plugged in.

    Parameters
    ----------
    name
        The file name that the bench file gives: a link to the terminal's other end, like those in /dev/serial/by-id.
    baud
        Of the line behind it; bytes come to the service no faster.
    """

    def __init__(self, name: Path, baud: int) -> None:
        self.name = name
        self._bytes_per_s = baud / BITS_A_BYTE
        self._lock = threading.Lock()  # it is plugged by one thread, and carries bytes by another
        self._ours = self._theirs = -1
        self._sending = b""
        self._carried = 0.0  # bytes that the line has had time for
        self._looked_s = time.monotonic()
        self.plug()

    def plug(self) -> None:
        """Be there: under the same name, as another device."""
        with self._lock:
            self._ours, self._theirs = os.openpty()
            tty.setraw(self._ours)
            tty.setraw(self._theirs)
            os.set_blocking(self._ours, False)
            self.name.parent.mkdir(parents=True, exist_ok=True)
            self.name.symlink_to(os.ttyname(self._theirs))

    def unplug(self) -> None:
        """Be gone: whoever holds the port hears of it as the kernel tells of a device that left."""
        with self._lock:
            self.name.unlink()
            os.close(self._ours)
            os.close(self._theirs)
            self._ours = self._theirs = -1
            self._sending = b""

    def heard(self) -> bytes:
        """Return what has come from the service since the last time."""
        with self._lock, suppress(BlockingIOError):  # nothing has
            if self._ours >= 0:
                return os.read(self._ours, 4096)
        return b""

    def say(self, data: bytes) -> None:
        """Send this after what waits, as much of it as the line has had time for since it was asked last."""
        with self._lock:
            now_s = time.monotonic()
            since_s, self._looked_s = now_s - self._looked_s, now_s
            if self._ours < 0:
                return
            self._carried = self._carried + since_s * self._bytes_per_s if self._sending else 0.0
            self._sending += data
            whole = int(self._carried)
            part, self._sending = self._sending[:whole], self._sending[whole:]
            self._carried -= whole
            if part:
                with suppress(BlockingIOError):  # nobody reads, and the kernel's buffer is full: they are lost
                    os.write(self._ours, part)

    def close(self) -> None:
        if self._ours >= 0:
            self.unplug()
