"""Units of systemd as far as a test needs them: what a unit sets, runs, and runs after a death. In real processes.

`SALTERN_ROOT` stands for `/`, `SALTERN_TWIN_CHIP` is the GPIO chip that all benches of the machine share.
"""

import os
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory
from types import SimpleNamespace
from unittest import mock

from tests.cli.command import run
from tests.toml import to_toml
from tests.twin_bench import bench_table

SALTERN = (sys.executable, "-m", "saltern.cli.main")
WITHIN_S = 600.0


def wait(until, within_s=WITHIN_S):
    """Wait for something to come true; how long is only a bound, for a machine that has other things to do."""
    deadline = time.monotonic() + within_s
    while not until():
        assert time.monotonic() < deadline
        time.sleep(0.02)


class Computer:
    """A computer with installed benches and one GPIO chip."""

    def __init__(self):
        self._folder = TemporaryDirectory(prefix="saltern-")  # short: a socket's path has 100 bytes
        folder = Path(self._folder.name)
        self.root, self.chip = folder / "root", folder / "chip"
        for name in ("etc/saltern", "var/lib/saltern", "run/saltern"):
            (self.root / name).mkdir(parents=True)
        self.chip.mkdir()
        self.units = []

    @property
    def environment(self):
        kept = {key: value for key, value in os.environ.items() if not key.startswith("SALTERN_")}
        return {**kept, "SALTERN_ROOT": str(self.root), "SALTERN_TWIN_CHIP": str(self.chip)}

    def saltern(self, *words, **environment):
        """Run a command as a person at this computer does."""
        with mock.patch.dict(os.environ, {**self.environment, **environment}, clear=True):
            return SimpleNamespace(**dict(zip(("returncode", "stdout", "stderr"), run(*words), strict=True)))

    def levels(self):
        """Return the level of each line that was ever driven."""
        return {int(file.name): file.read_text() for file in self.chip.iterdir()}

    def install(self, instance, number=0, changes=None):
        """Write a bench file of timed pumps, so that two benches have room on one header; return its output lines."""
        table = bench_table({"name": f"{instance}-room", **(changes or {})})
        outputs = list(range(9 + 7 * number, 16 + 7 * number))
        for at, (pump, ml_per_s) in enumerate((("sample", 1.6), ("waste", 2.0), ("titrant", 0.16))):
            table["pumps"][pump]["drive"] = {"driver": "gpio-timed-pump", "pin": outputs[2 * at]}
            table["pumps"][pump]["permit"]["pin"] = outputs[2 * at + 1]
            table["pumps"][pump]["ml_per_unit"] = ml_per_s
        table["stirrer"]["drive"]["pin"] = outputs[6]
        for at, switch in enumerate(table["switches"].values()):
            switch["pin"] = 4 * number + at
        (self.root / "etc/saltern" / f"{instance}.toml").write_text(to_toml(table))
        return outputs

    def unit(self, instance, **made):
        self.units.append(Unit(self, instance, **made))
        return self.units[-1]

    def off(self):
        for unit in self.units:
            if unit.process is not None and unit.process.poll() is None:
                unit.process.kill()
            unit.close()
        self._folder.cleanup()


class Unit:
    """One service: started, ended in some way, and looked after as ExecStopPost= says."""

    def __init__(self, computer, instance, pace="20", runtime=None):
        self.computer, self.instance, self.pace = computer, instance, pace
        self.bench = computer.root / "etc/saltern" / f"{instance}.toml"
        self.runtime = runtime or computer.root / "run/saltern" / instance
        self.state = computer.root / "var/lib/saltern" / instance
        self.process = None
        self.notify = computer.root / f"notify-{instance}"
        self._heard = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._heard.bind(str(self.notify))
        self._heard.setblocking(False)
        self.said = []

    @property
    def environment(self):
        return {
            **self.computer.environment,
            "RUNTIME_DIRECTORY": str(self.runtime),
            "STATE_DIRECTORY": str(self.state),
            "NOTIFY_SOCKET": str(self.notify),
            "WATCHDOG_USEC": "30000000",
        }

    def start(self, within_s=WITHIN_S):
        self.begin()
        wait(lambda: self.is_ready() or self.process.poll() is not None, within_s)
        assert self.process.poll() is None, self.log()
        return self

    def begin(self):
        for folder in (self.runtime, self.state):
            folder.mkdir(exist_ok=True)
        self.said = []
        self.listen()
        self.said = []
        self._log = (self.computer.root / f"{self.instance}.log").open("w")
        self.process = subprocess.Popen(
            [*SALTERN, "daemon", str(self.bench), "--pace", self.pace],
            env=self.environment,
            stdout=subprocess.DEVNULL,
            stderr=self._log,
        )
        self._log.close()

    def listen(self):
        while True:
            try:
                self.said += self._heard.recv(1000).decode().split("\n")
            except BlockingIOError:
                return self.said

    def is_ready(self):
        return "READY=1" in self.listen()

    def log(self):
        return (self.computer.root / f"{self.instance}.log").read_text()

    def end(self, number=signal.SIGTERM):
        """End it by a signal, as systemd or a fault would, and run what comes after; return that command's outcome."""
        self.process.send_signal(number)
        self.process.wait(WITHIN_S)
        return self.after()

    def after(self):
        """Run the unit's ExecStopPost= commands with what systemd says of the death; return their outcomes."""
        number = self.process.returncode
        clean = number == 0 or -number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGPIPE)
        told = {
            "SERVICE_RESULT": "success" if clean else "exit-code" if number > 0 else "signal",
            "EXIT_CODE": "exited" if number >= 0 else "killed",
            "EXIT_STATUS": str(number) if number >= 0 else signal.Signals(-number).name.removeprefix("SIG"),
        }
        done = [
            self.computer.saltern(*words, **{**self.environment, **told})
            for words in (("safe-off", "--instance", self.instance), ("report-death", "--instance", self.instance))
        ]
        if clean:
            for file in self.runtime.iterdir():
                file.unlink()
            self.runtime.rmdir()
        return done

    def close(self):
        if self.process is not None:
            self.process.wait()
        self._heard.close()
