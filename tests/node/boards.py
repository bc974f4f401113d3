"""The pump node's firmware for tests: in this Python, or under a real MicroPython; and its serial port for the host."""

import importlib.util
import json
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.node.harness import Board, Motor

ROOT = Path(__file__).parents[2]
NODE = ROOT / "hardware" / "pump_node" / "node.py"
MICROPYTHON = ROOT / ".micropython/node_modules/@micropython/micropython-webassembly-pyscript/micropython.mjs"


def firmware():
    """Return the module of the node's mind."""
    spec = importlib.util.spec_from_file_location("pump_node_firmware", NODE)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


class Here:
    """The firmware in this Python."""

    def __init__(self, make_motor=Motor):
        self.board = Board(firmware().Node, make_motor)

    def step(self, **asked):
        return json.loads(self.board.step(json.dumps(asked)))

    def close(self):
        pass


def on_micropython(script, *args):
    """Return the command that runs a script of ours with MicroPython's WebAssembly port; skip where that is absent."""
    node = shutil.which("node")
    if node is None:
        pytest.skip("Node.js is not installed")
    if not MICROPYTHON.is_file():
        pytest.skip(f"MicroPython's port is not at {MICROPYTHON.name}: `make test` installs it where npm is")
    return [node, Path(__file__).with_name(script), MICROPYTHON, *args]


class OnMicroPython:
    """The firmware under MicroPython's WebAssembly port, in a process of Node.js."""

    def __init__(self):
        self._process = subprocess.Popen(
            on_micropython("bridge.mjs", NODE, Path(__file__).with_name("harness.py")),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self.version = json.loads(self._process.stdout.readline())["version"]

    def step(self, **asked):
        self._process.stdin.write(json.dumps(asked) + "\n")
        self._process.stdin.flush()
        return json.loads(self._process.stdout.readline())

    def close(self):
        self._process.stdin.close()
        self._process.wait()
        self._process.stdout.close()


class NodePort:
    """A serial port with the node at its other end; time is the host's clock."""

    DELAY_S = 0.002

    def __init__(self, clock, board):
        self.clock, self.board = clock, board
        self._arriving = []
        self._ready = b""
        self.to_node = lambda data: data
        self.to_host = lambda data: data
        self.silent = False
        self.gone = None  # an error, while the converter is unplugged
        self.permits = []  # (s, mask) that the node heard
        self.last = board.step(now=self.now_ms())
        clock.attach(lambda _: self.look())

    def now_ms(self):
        return round(self.clock.monotonic() * 1000.0)

    def look(self, **changes):
        """Let the node come to the present; return what it is doing."""
        self.last = self.board.step(now=self.now_ms(), **changes)
        return self.last

    @property
    def in_waiting(self):
        self._there()
        now_s = self.clock.monotonic()
        self._ready += b"".join(data for due, data in self._arriving if due <= now_s)
        self._arriving = [(due, data) for due, data in self._arriving if due > now_s]
        return len(self._ready)

    def read(self, size=1):
        part, self._ready = self._ready[:size], self._ready[size:]
        return part

    def _there(self):
        if self.gone is not None:
            self._arriving, self._ready = [], b""
            raise self.gone

    def write(self, data):
        self._there()
        if self.silent:
            return len(data)
        for sent in (self.to_node(data),):
            if sent[1:4] == b"\x10\x00\x01" and sent == data:
                self.permits.append((self.clock.monotonic(), sent[8]))
            self.last = self.board.step(now=self.now_ms(), rx=sent.hex())
            answer = self.to_host(bytes.fromhex(self.last["tx"]))
            if answer:
                self._arriving.append((self.clock.monotonic() + self.DELAY_S, answer))
        return len(data)

    def reset_input_buffer(self):
        assert self.in_waiting >= 0
        self._ready = b""

    def close(self):
        pass
