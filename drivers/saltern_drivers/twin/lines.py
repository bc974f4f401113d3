"""A GPIO chip that the processes of one machine share: a file for each line that was ever claimed.

It does what the kernel does on a Raspberry Pi: a line belongs to the process that claimed it (a lock on its file) and
falls free with that process, however it ends; its level (the file's content) stays until somebody drives it again.
"""

import fcntl
from collections.abc import Sequence
from pathlib import Path
from typing import TextIO

from saltern.ports import DeviceUnavailableError, LinesBusyError

VARIABLE = "SALTERN_TWIN_CHIP"
"""Environment: the folder of these files; without it each simulated bench has a chip of its own."""

LOW, HIGH = "0", "1"


class SharedChip:
    """The chip, as one process sees it.

    Parameters
    ----------
    folder
        Of the lines' files; it is there.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._claimed: dict[int, TextIO] = {}

    def drive(self, line: int, level: float) -> None:
        """Claim a line as an output, if it is not ours yet, and drive it.

        Raises
        ------
        DeviceUnavailableError
            It is another process's.
        """
        file = self._claimed.get(line)
        if file is None:
            file = (self._folder / str(line)).open("a+", encoding="ascii")
            try:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError as error:
                file.close()
                raise DeviceUnavailableError(
                    "is held by another process", where=f"gpio {line}", remedy="Give each bench its own pins"
                ) from error
            self._claimed[line] = file
        file.seek(0)
        file.truncate()
        file.write(HIGH if level > 0.0 else LOW)
        file.flush()

    def release(self, line: int) -> None:
        """Let a line go; it falls to its pull-down."""
        if line in self._claimed:
            self.drive(line, 0.0)
            self._claimed.pop(line).close()

    def close(self) -> None:
        for line in list(self._claimed):
            self.release(line)


def force_low(folder: Path, lines: Sequence[int]) -> None:
    """Drive these lines low; one that another process holds keeps none of the others up.

    Raises
    ------
    LinesBusyError
        With those that are held.
    """
    chip, busy = SharedChip(folder), []
    for line in lines:
        try:
            chip.drive(line, 0.0)
        except DeviceUnavailableError:
            busy.append(line)
    chip.close()
    if busy:
        raise LinesBusyError(f"lines {busy} are held by another process", where="twin", remedy="Stop it")
