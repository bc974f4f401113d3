"""Real processes for tests. A wait lasts until what is awaited has come, however slow the machine is.

What bounds it is the awaited process: each may use so much processor time, then the kernel ends it, and a wait for
something that an ended process was to do fails. One that sleeps for good is ended with its test (tests/time_limits.py).
"""

import json
import os
import random
import resource
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from contextlib import closing, suppress
from pathlib import Path

SALTERN = (sys.executable, "-m", "saltern.cli.main")
PROCESSOR_S = 120
LOOK_EVERY_S = 0.02
LOCKED_S = 60.0

GIVEN = set()
"""Ports that were given out: who was given one may not listen at it yet."""

BEGUN = []
"""What the present test has begun."""


def begin(*words, processor_s=PROCESSOR_S, **how):
    """Start a process that may use so much processor time, in seconds, and no more."""
    process = subprocess.Popen([str(word) for word in words], **how)
    BEGUN.append(process)
    with suppress(ProcessLookupError):  # it has ended already
        resource.prlimit(process.pid, resource.RLIMIT_CPU, (processor_s, processor_s + 5))
    return process


def end_what_is_left():
    """End what the present test has begun and not ended; return what that was."""
    running = [process for process in BEGUN if process.poll() is None]
    for process in running:
        process.kill()
        process.wait()
    BEGUN.clear()
    return [" ".join(process.args) for process in running]


def run(*words, processor_s=PROCESSOR_S, text=None, env=None, cwd=None):
    """Run a process to its end, with this text as its input; return code and what it said."""
    with begin(
        *words,
        processor_s=processor_s,
        env=env,
        cwd=cwd,
        stdin=subprocess.DEVNULL if text is None else subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        try:
            said, complained = process.communicate(text)
        except BaseException:
            process.kill()
            raise
    return subprocess.CompletedProcess(words, process.returncode, said, complained)


def until(condition, *processes):
    """Wait until it is so, and return what it says; fail when one of the processes that it needs has ended."""
    while True:
        ended = [process for process in processes if process.poll() is not None]
        found = condition()
        if found:
            return found
        assert not ended, f"{ended[0].args} ended with {ended[0].returncode} before: {condition}"
        time.sleep(LOOK_EVERY_S)


def processor_time_s(process):
    """Return the processor time that a process has used so far: by it a test counts what that process was given."""
    *_, after_name = Path(f"/proc/{process.pid}/stat").read_text().rpartition(")")
    user, system = after_name.split()[11:13]
    return (int(user) + int(system)) / os.sysconf("SC_CLK_TCK")


def free_port():
    """Return a port of loopback that nobody has or was given, and that the kernel gives to no connection by itself."""
    while True:
        port = random.randrange(20_000, 32_000)
        with closing(socket.socket()) as probe:
            if port not in GIVEN and probe.connect_ex(("127.0.0.1", port)) != 0:
                GIVEN.add(port)
                return port


def rows(records, query):
    """Return what a query finds in a running service's records."""
    with closing(sqlite3.connect(f"file:{records}?mode=ro", uri=True, timeout=LOCKED_S)) as database:
        return database.execute(query).fetchall()


class Service:
    """`saltern daemon` of a bench file on the twin, so many times faster than real time. What it says goes to files."""

    def __init__(self, bench, pace, processor_s=PROCESSOR_S, **environment):
        self.out, self.log = bench.with_suffix(".out"), bench.with_suffix(".log")
        with self.out.open("w") as out, self.log.open("w") as log:
            self.process = begin(
                *SALTERN,
                "daemon",
                bench,
                "--pace",
                pace,
                processor_s=processor_s,
                env={**os.environ, **environment},
                stdout=out,
                stderr=log,
            )

    def until(self, condition):
        """Wait for what this service is to do."""
        try:
            return until(condition, self.process)
        except AssertionError as error:
            error.add_note(self.log.read_text()[-2000:])
            raise

    def works(self, processor_s):
        """Let it use so much more processor time."""
        enough_s = processor_time_s(self.process) + processor_s
        self.until(lambda: processor_time_s(self.process) >= enough_s)

    def freeze(self, condition, after_s=0.0):
        """Stop it as by SIGSTOP at a moment at which this holds, so long after it was seen to begin to."""
        while True:
            self.until(condition)
            time.sleep(after_s)
            self.signal(signal.SIGSTOP)
            if condition():
                return
            self.signal(signal.SIGCONT)  # it was over by then: another will come

    def logged(self, event):
        """Return what it has logged of this event."""
        lines = self.log.read_text().splitlines(keepends=True)
        said = [json.loads(line) for line in lines if line.endswith("\n")]  # the last may be half written
        return [one for one in said if one["event"] == event]

    def signal(self, number):
        self.process.send_signal(number)

    def stop(self):
        """End it in order; return its code."""
        if self.process.poll() is None:
            self.signal(signal.SIGTERM)
        return self.process.wait()

    def kill(self):
        self.process.kill()
        self.process.wait()
