"""A 40-pin header for tests: the kernel's interface answered by header.c, looked at and driven from outside.

The processes under test run with the real GPIO and I2C libraries; header.c is preloaded into them. Nothing here knows
what Saltern believes of its outputs: levels, counts and times are what reached the kernel's interface.
"""

import ctypes
import mmap
import os
import shutil
import socket
import struct
import subprocess
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from tempfile import gettempdir, mkstemp

LINES, CHANGES, CONNECTED = 64, 1 << 20, 2
SOURCE = Path(__file__).with_name("header.c")
CPUINFO = "Hardware\t: BCM2835\nRevision\t: a020d3\n"
"""A board's revision by the published scheme of revision codes; gpiozero asks for one."""

MISSING = "no C compiler (cc) is here, and the header's interface is written in C"


class _Line(ctypes.Structure):
    _fields_ = [
        ("output", ctypes.c_uint32),
        ("driven", ctypes.c_uint32),
        ("outside", ctypes.c_uint32),
        ("rises", ctypes.c_uint32),
        ("owner", ctypes.c_uint32),
        ("claims", ctypes.c_uint32),
        ("flags", ctypes.c_uint64),
    ]


class _Change(ctypes.Structure):
    _fields_ = [("ns", ctypes.c_uint64), ("line", ctypes.c_uint32), ("level", ctypes.c_uint32)]


class _Board(ctypes.Structure):
    _fields_ = [
        ("persist", ctypes.c_uint32),
        ("changes", ctypes.c_uint32),
        ("lines", _Line * LINES),
        ("ring", _Change * CHANGES),
    ]


@cache
def library() -> Path | None:
    """Return the preloaded library, built where it is not yet; None without a compiler."""
    compiler = shutil.which("cc")
    if compiler is None:
        return None
    folder = Path(gettempdir()) / f"saltern-header-{os.getuid()}"
    folder.mkdir(exist_ok=True)
    built = folder / f"header-{SOURCE.stat().st_mtime_ns}.so"
    if not built.exists():
        partial = built.with_suffix(f".{os.getpid()}")
        subprocess.run(
            [compiler, "-shared", "-fPIC", "-O2", "-o", partial, SOURCE, "-ldl", "-lpthread"], check=True, timeout=120
        )
        partial.replace(built)
    return built


@dataclass(frozen=True)
class Change:
    """A line went to a level."""

    at_s: float
    line: int
    level: int


class Header:
    """One header: its lines seen from outside, and what the outside does to its inputs.

    Parameters
    ----------
    folder
        For its file, and the sockets of its I2C buses.
    persist
        A line that is let go keeps what was driven, as the kernel of a Raspberry Pi leaves it by default.
    """

    def __init__(self, folder: Path, *, persist: bool = True) -> None:
        self.folder = folder
        # Not on a disk: a thread that writes a change would wait for the page to be written back.
        memory = Path("/dev/shm") if os.access("/dev/shm", os.W_OK) else folder
        number, name = mkstemp(prefix="saltern-header-", dir=memory)
        self.path = Path(name)
        self._file = os.fdopen(number, "w+b")
        self._file.truncate(ctypes.sizeof(_Board))
        self._map = mmap.mmap(self._file.fileno(), ctypes.sizeof(_Board))
        self._board = _Board.from_buffer(self._map)
        self._board.persist = int(persist)
        self.persist = persist
        self._others: list[Path] = []
        (folder / "cpuinfo").write_text(CPUINFO)

    def environment(self) -> dict[str, str]:
        """Return what a process needs in its environment to live on this header."""
        return {
            **os.environ,
            "LD_PRELOAD": str(library()),
            "SALTERN_HEADER": str(self.path),
            "SALTERN_HEADER_I2C": str(self.folder),
            "SALTERN_HEADER_CPUINFO": str(self.folder / "cpuinfo"),
            "LG_WD": str(self.folder),
        }

    def level(self, line: int) -> bool:
        """Return what a meter would show on an output; one that nobody drives lies at its pull-down."""
        seen = self._board.lines[line]
        left = not self.persist and seen.owner and _has_ended(int(seen.owner))
        return bool(seen.output and seen.driven and not left)

    def rises(self, line: int) -> int:
        """Return how many rising edges were driven since the header was made."""
        return int(self._board.lines[line].rises)

    def owner(self, line: int) -> int:
        """Return the process that holds the line, 0 for none."""
        return int(self._board.lines[line].owner)

    def connect(self, line: int, level: bool) -> None:
        """Drive an input from outside: a closed contact to ground is False."""
        self._board.lines[line].outside = CONNECTED | int(level)

    def disconnect(self, line: int) -> None:
        """Leave an input to its pull: a cut wire."""
        self._board.lines[line].outside = 0

    def position(self) -> int:
        """Return a mark for `changes_since`."""
        return int(self._board.changes)

    def changes_since(self, mark: int) -> list[Change]:
        """Return the changes of outputs since a mark, oldest first; at most the last million."""
        end = int(self._board.changes)
        begin = max(mark, end - CHANGES)
        found = (self._board.ring[i % CHANGES] for i in range(begin, end))
        return [Change(each.ns * 1e-9, int(each.line), int(each.level)) for each in found]

    def another(self) -> Path:
        """Return the file of one more header, for a process that must not share this one; nobody looks at it."""
        number, name = mkstemp(prefix="saltern-header-", dir=self.path.parent)
        os.truncate(number, ctypes.sizeof(_Board))
        os.close(number)
        self._others.append(Path(name))
        return Path(name)

    def close(self) -> None:
        for other in self._others:
            other.unlink()
        del self._board, self._map
        self._file.close()
        self.path.unlink()


def _has_ended(process: int) -> bool:
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except OSError:
        return True


class I2cChips(threading.Thread):
    """Plays the chips of one bus for the processes on a header.

    Parameters
    ----------
    read, write
        As smbus2 has them: (address, register, length) -> bytes; (address, register, bytes). An OSError is the bus's.
    """

    def __init__(
        self,
        header: Header,
        bus: int,
        read: Callable[[int, int, int], list[int]],
        write: Callable[[int, int, list[int]], None],
    ) -> None:
        super().__init__(name=f"i2c-{bus}", daemon=True)
        self._read, self._write = read, write
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self._path = header.folder / f"i2c-{bus}"
        self._socket.bind(str(self._path))
        self._socket.listen()
        self._lock = threading.Lock()
        self.transfers = 0
        self.start()

    def run(self) -> None:
        while True:
            try:
                line, _ = self._socket.accept()
            except OSError:
                return
            threading.Thread(target=self._serve, args=(line,), daemon=True, name="i2c").start()

    def _serve(self, line: socket.socket) -> None:
        with line:
            while asked := line.recv(64):
                address, reads, register, length = asked[:4]
                error, data = 0, b""
                with self._lock:
                    self.transfers += 1
                    try:
                        if reads:
                            data = bytes(self._read(address, register, length))
                        else:
                            self._write(address, register, list(asked[4 : 4 + length]))
                    except OSError as trouble:
                        error = trouble.errno or 5
                with suppress(BrokenPipeError):  # who asked was killed meanwhile
                    line.send(struct.pack("i32s", error, data))

    def close(self) -> None:
        self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()
        self._path.unlink(missing_ok=True)
        self.join(5)
