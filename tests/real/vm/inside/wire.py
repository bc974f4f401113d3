"""The host's hands at the simulated header and at the boards' side of the USB sockets, over a virtio-serial port.

Out, a line each: `p SECONDS LEVELS [LINE:RISES ...]` (the kernel's monotonic time; a hexadecimal mask of the levels of
the lines watched; rises that have changed, all of them after a `w`) and `s BOARD HEX` (what the service sent).
In: `w LINES` (watch these; everything anew), `l LINE 0|1` (what hangs on an input), `s BOARD HEX` (a board answers),
`u BOARD` and `g BOARD` (unplugged, plugged in).
"""

import glob
import os
import random
import select
import time
import tty

PORT = "/dev/virtio-ports/saltern.wire"
BOARDS = ("ph", "conductivity", "temperature", "node")
LOOK_EVERY_S = (0.006, 0.018)  # at no fixed rate: what is modulated by width is then seen by its share
TELL_EVERY_S = 0.04


def udc(board: str, name: str) -> None:
    with open(f"/sys/kernel/config/usb_gadget/{board}/UDC", "w", encoding="ascii") as file:
        file.write(name + "\n")


class Lines:
    """Levels and rises as the simulated chip has them."""

    def __init__(self) -> None:
        (self.chip,) = glob.glob("/sys/devices/platform/gpio-sim.*/gpiochip*/")
        self.files: list[tuple[int, int, int]] = []
        self.rises: dict[int, str] = {}
        self.levels = -1

    def watch(self, lines: list[int]) -> None:
        for _, value, rises in self.files:
            os.close(value)
            os.close(rises)
        self.files = [
            (n, *(os.open(f"{self.chip}sim_gpio{n}/{what}", os.O_RDONLY) for what in ("value", "rises"))) for n in lines
        ]
        self.rises.clear()

    def look(self) -> tuple[int, list[str]]:
        levels, changed = 0, []
        for n, value, rises in self.files:
            risen = os.pread(rises, 16, 0)  # before the level: a rise is never newer than the level told with it
            if self.rises.get(n) != risen:
                self.rises[n] = risen
                changed.append(f"{n}:{int(risen)}")
            if os.pread(value, 2, 0)[0] == 49:
                levels |= 1 << n
        return levels, changed

    def pull(self, line: int, *, up: bool) -> None:
        with open(f"{self.chip}sim_gpio{line}/pull", "w", encoding="ascii") as file:
            file.write("pull-up" if up else "pull-down")


class Sockets:
    """The boards' side of their USB sockets; one that was unplugged is hung up, and opened again."""

    def __init__(self) -> None:
        self.open = {board: self._opened(board) for board in BOARDS}

    def _opened(self, board: str) -> int:
        fd = os.open(f"/dev/ttyGS{BOARDS.index(board)}", os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        tty.setraw(fd)
        return fd

    def come(self) -> list[str]:
        said = []
        for board, fd in self.open.items():
            try:
                some = os.read(fd, 256)
            except BlockingIOError:
                continue
            except OSError:
                some = b""
            if some:
                said.append(f"s {board} {some.hex()}")
            else:
                os.close(fd)
                self.open[board] = self._opened(board)
        return said

    def send(self, board: str, some: bytes) -> None:
        try:
            os.write(self.open[board], some)
        except OSError:  # nobody reads it: it is lost, as on a wire
            return


def obey(words: list[str], lines: Lines, sockets: Sockets) -> None:
    match words:
        case ["w", *which]:
            lines.watch([int(word) for word in which])
        case ["l", line, level]:
            lines.pull(int(line), up=level == "1")
        case ["s", board, some]:
            sockets.send(board, bytes.fromhex(some))
        case ["u", board]:
            udc(board, "")
        case ["g", board]:
            udc(board, f"dummy_udc.{BOARDS.index(board)}")


def main() -> None:
    lines, sockets = Lines(), Sockets()
    port = os.open(PORT, os.O_RDWR)
    come, told_s, before = b"", 0.0, -1
    while True:
        if select.select([port], [], [], random.uniform(*LOOK_EVERY_S))[0]:
            some = os.read(port, 65536)
            if not some:
                time.sleep(0.05)
            come += some
            *whole, come = come.split(b"\n")
            for line in whole:
                try:
                    obey(line.decode().split(), lines, sockets)
                except OSError as error:
                    os.write(port, f"e {line.decode()}: {error}\n".encode())
        now_s = time.monotonic()
        levels, changed = lines.look()
        out = sockets.come()
        if changed or levels != before or now_s - told_s > TELL_EVERY_S:
            out.insert(0, " ".join([f"p {now_s:.4f} {levels:x}", *changed]))
            before, told_s = levels, now_s
        if out:
            rest = ("\n".join(out) + "\n").encode()
            while rest:
                rest = rest[os.write(port, rest) :]


main()
