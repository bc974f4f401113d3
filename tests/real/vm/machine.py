"""One machine under qemu: booted, asked, cut off, kept as it stands and taken up again.

No KVM is asked for: the processor is emulated, and its time is that of its own instructions, one a nanosecond, or real
time while it has nothing to do. So it is never starved, however busy this computer is: it only takes longer. A power
cut is the end of the qemu process: what the guest had not written is lost.
"""

import base64
import json
import os
import shutil
import socket
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.real.vm.image import Image

BOOT_WITHIN_S, LOAD_WITHIN_S = 900.0, 180.0
AS_LONG_AGAIN = 20.0
"""An answer due in so many seconds of the machine's time may take so many times as long here."""

MEMORY_MIB, PROCESSORS = 640, 1
RECORDS_SIZE = "96M"
KERNEL_WORDS = "root=/dev/vda rw console=ttyS0 quiet mitigations=off audit=0 systemd.unit=multi-user.target"


class MachineError(Exception):
    """The machine itself failed; nothing is said about Saltern."""


@dataclass(frozen=True)
class Done:
    """What came of a command."""

    code: int
    said: str


@dataclass(frozen=True)
class Kept:
    """A machine as it stood: its memory, and its two disks."""

    memory: Path
    root: Path
    records: Path


class Lines:
    """One virtio-serial port: lines out, and a callback for each line that comes."""

    def __init__(self, path: Path, heard: Callable[[str], None]) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._socket.connect(str(path))
        self._sending = threading.Lock()
        self._heard = heard
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()

    def say(self, line: str) -> None:
        with self._sending:
            try:
                self._socket.sendall(line.encode("ascii") + b"\n")
            except OSError:  # the machine is gone: whoever waits for an answer hears of it
                return

    def close(self) -> None:
        self._socket.close()
        self._thread.join(5.0)

    def _listen(self) -> None:
        come = b""
        while True:
            try:
                some = self._socket.recv(65536)
            except OSError:
                return
            if not some:
                return
            *lines, come = (come + some).split(b"\n")
            for line in lines:
                self._heard(line.decode("utf-8", "replace"))


class Machine:
    """A machine of this image, in a folder of its own that `remove` takes away.

    Parameters
    ----------
    on_wire, on_witness
        Called in threads of their own with each line of the inside's wire and witness.
    """

    def __init__(
        self,
        image: Image,
        on_wire: Callable[[str], None],
        on_witness: Callable[[str], None],
        folder: Path | None = None,
    ) -> None:
        self.image = image
        self.folder = folder or Path(tempfile.mkdtemp(prefix="saltern-vm-"))
        self.root, self.records = self.folder / "root.qcow2", self.folder / "records.img"
        self._on_wire, self._on_witness = on_wire, on_witness
        self._process: subprocess.Popen[bytes] | None = None
        self._lines: list[Lines] = []
        self._answers: dict[int, Done] = {}
        self._asked = 0
        self._answered = threading.Condition()

    # Life ---------------------------------------------------------------------------

    def fresh(self) -> None:
        """Lay new disks: the image's, and an empty one for the records."""
        words = ["qemu-img", "create", "-q", "-f", "qcow2", "-b", self.image.root, "-F", "raw", self.root]
        subprocess.run([str(word) for word in words], check=True)
        subprocess.run(["truncate", "-s", RECORDS_SIZE, str(self.records)], check=True)
        subprocess.run(["mkfs.ext4", "-q", "-F", "-L", "records", str(self.records)], check=True)

    def boot(self) -> float:
        """Boot from the disks as they are; return the seconds until it answers."""
        return self._start([], BOOT_WITHIN_S)

    def take_up(self, kept: Kept, *, records: Path | None = None) -> float:
        """Go on from a kept machine, with its own records' disk or another; return the seconds until it answers."""
        self._copy(kept.root, self.root)
        if records != self.records:
            self._copy(records or kept.records, self.records)
        return self._start(["-incoming", f"exec:cat {kept.memory}"], LOAD_WITHIN_S)

    def keep(self, name: str, while_still: Callable[[], None] = lambda: None) -> Kept:
        """Keep the machine as it stands; it stands still for that while, and does not notice."""
        kept = Kept(*(self.folder / f"{name}.{what}" for what in ("memory", "root", "records")))
        self.qmp("stop")
        time.sleep(0.1)  # what it has said is heard
        while_still()
        self.qmp("migrate", uri=f"exec:cat > {kept.memory}")
        deadline = time.monotonic() + LOAD_WITHIN_S
        while (status := self.qmp("query-migrate").get("status")) != "completed":
            if status == "failed" or time.monotonic() > deadline:
                raise MachineError(f"its memory cannot be kept: {self.qmp('query-migrate')}")
            time.sleep(0.05)
        self._copy(self.root, kept.root)
        self._copy(self.records, kept.records)
        self.qmp("cont")
        return kept

    def power_cut(self) -> None:
        """End the machine without a word to what runs in it."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None
        for lines in self._lines:
            lines.close()
        self._lines = []
        with self._answered:
            self._answered.notify_all()

    def remove(self) -> None:
        self.power_cut()
        shutil.rmtree(self.folder, ignore_errors=True)

    def forget(self, kept: Kept) -> None:
        for path in (kept.memory, kept.root, kept.records):
            path.unlink(missing_ok=True)

    @property
    def alive(self) -> bool:
        return self._process is not None and self._process.poll() is None

    # Asking -------------------------------------------------------------------------

    def run(self, command: str, within_s: float = 120.0, given: bytes = b"") -> Done:
        """Run a shell command in it as root.

        Raises
        ------
        MachineError
            No answer came.
        """
        number = self.begin(command, within_s, given)
        return self.outcome(number, within_s)

    def begin(self, command: str, within_s: float = 120.0, given: bytes = b"") -> int:
        """Begin a shell command; its number is for `outcome`."""
        with self._answered:
            self._asked += 1
            number = self._asked
        asked = {"id": number, "command": command, "within_s": within_s, "input": given.decode("latin-1")}
        self._lines[0].say(json.dumps(asked))
        return number

    def outcome(self, number: int, within_s: float = 120.0) -> Done:
        """Wait for what a begun command came to."""
        deadline = time.monotonic() + AS_LONG_AGAIN * within_s
        with self._answered:
            while number not in self._answers:
                if not self.alive or time.monotonic() > deadline:
                    raise MachineError(f"no answer; {'alive' if self.alive else 'gone'}: {self.console()[-500:]}")
                self._answered.wait(0.5)
            return self._answers.pop(number)

    def must(self, command: str, within_s: float = 120.0, given: bytes = b"") -> str:
        """Run a shell command that has to succeed; return what it said."""
        done = self.run(command, within_s, given)
        if done.code != 0:
            raise MachineError(f"{command}: exit {done.code}: {done.said[-2000:]}")
        return done.said

    def put(self, path: str, content: bytes, mode: str = "644") -> None:
        """Write a file in it."""
        coded = base64.b64encode(content)
        self.must(f"mkdir -p $(dirname {path}) && base64 -d > {path} && chmod {mode} {path}", given=coded)

    def say_wire(self, line: str) -> None:
        if self._lines:
            self._lines[1].say(line)

    def qmp(self, execute: str, **arguments: object) -> dict[str, Any]:
        """Ask the emulator itself."""
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as line:
            line.settimeout(30.0)
            line.connect(str(self.folder / "qmp"))
            with line.makefile("rw") as file:
                file.readline()
                answer: dict[str, Any] = {}
                for words in ({"execute": "qmp_capabilities"}, {"execute": execute, "arguments": arguments}):
                    file.write(json.dumps(words) + "\n")
                    file.flush()
                    while "return" not in (answer := json.loads(file.readline())):
                        if "error" in answer:
                            raise MachineError(f"{execute}: {answer['error']}")
        back = answer["return"]
        return back if isinstance(back, dict) else {}

    def console(self) -> str:
        path = self.folder / "console"
        return path.read_text(errors="replace") if path.exists() else ""

    # ----------------------------------------------------------------------------------

    def _start(self, more: list[str], within_s: float) -> float:
        begun_s = time.monotonic()
        words = [
            *("setpriv", "--pdeathsig", "KILL"),  # it does not outlive whoever began it
            *("nice", "-n", "10", "qemu-system-x86_64", "-M", "q35", "-accel", "tcg,thread=single", "-cpu", "max"),
            *("-icount", "shift=0,sleep=on"),
            *("-smp", str(PROCESSORS), "-m", str(MEMORY_MIB), "-display", "none", "-nodefaults", "-no-reboot"),
            *("-kernel", self.image.kernel, "-initrd", self.image.initrd, "-append", KERNEL_WORDS),
            *("-drive", f"file={self.root},if=virtio,format=qcow2,cache=writeback"),
            *("-drive", f"file={self.records},if=virtio,format=raw,cache=writeback"),
            *("-serial", f"file:{self.folder / 'console'}", "-qmp", f"unix:{self.folder / 'qmp'},server=on,wait=off"),
            *("-device", "virtio-serial-pci", "-device", "virtio-rng-pci"),
        ]
        ports = ("agent", "wire", "witness")
        for port in ports:
            words += ["-chardev", f"socket,id={port},path={self.folder / port},server=on,wait=off"]
            words += ["-device", f"virtserialport,chardev={port},name=saltern.{port}"]
        for port in (*ports, "qmp"):
            (self.folder / port).unlink(missing_ok=True)
        with (self.folder / "qemu.log").open("ab") as log:
            self._process = subprocess.Popen(
                [str(word) for word in (*words, *more)], stdin=subprocess.DEVNULL, stdout=log, stderr=log
            )
        self._answers.clear()
        while not all((self.folder / port).exists() for port in (*ports, "qmp")):
            self._demand(begun_s, within_s)
            time.sleep(0.02)
        while self.qmp("query-status")["status"] in ("inmigrate", "prelaunch"):
            self._demand(begun_s, within_s)
            time.sleep(0.05)
        heard = (self._on_answer, self._on_wire, self._on_witness)
        self._lines = [Lines(self.folder / port, hears) for port, hears in zip(ports, heard, strict=True)]
        if more:  # it stood still when it was kept
            self.qmp("cont")
        number = self.begin("true", 30.0)
        asked_s = time.monotonic()
        with self._answered:
            while number not in self._answers:
                self._demand(begun_s, within_s)
                self._answered.wait(0.2)
                if time.monotonic() - asked_s > 30.0:  # asked before anybody listened
                    asked_s = time.monotonic()
                    number = self.begin("true", 30.0)
        return time.monotonic() - begun_s

    def _demand(self, begun_s: float, within_s: float) -> None:
        if not self.alive or time.monotonic() - begun_s > within_s:
            log = (self.folder / "qemu.log").read_text(errors="replace")[-1000:]
            raise MachineError(f"it does not answer within {within_s:.0f} s: {log} {self.console()[-1500:]}")

    def _on_answer(self, line: str) -> None:
        answer = json.loads(line)
        with self._answered:
            self._answers[answer["id"]] = Done(answer["code"], answer["said"])
            self._answered.notify_all()

    def _copy(self, source: Path, target: Path) -> None:
        subprocess.run(["cp", "--sparse=always", "--reflink=auto", str(source), str(target)], check=True)


def free_mib() -> float:
    """Return what of this computer's memory is free."""
    words = Path("/proc/meminfo").read_text(encoding="ascii").split()
    return int(words[words.index("MemAvailable:") + 1]) / 1024.0


def cores() -> int:
    return len(os.sched_getaffinity(0))
