"""A service on the twin behind its real socket, and calls of every method with values that no sane client sends.

The calls come from a seed. What is sent is JSON text, as any client's; the service's own loop takes the commands up.
"""

import json
import random
import socket
from contextlib import ExitStack

from saltern.records.opening import open_for_reading
from saltern.rpc import protocol
from saltern.rpc.server import Server
from saltern.running.remote import Remote
from tests.keeper import keeper

STOPPED_AFTER_S = (5.0, 60.0, 1500.0)
"""What still runs after one of these by the bench's clock is stopped, over the socket."""

NAN, INFINITE, HUGE = float("nan"), float("inf"), 10**30
NUMBERS = (NAN, INFINITE, -INFINITE, 1e308, -1e308, HUGE, -HUGE, 2**63, -1, 0, 1, 3, 0.5, 1e-300, -0.0)
TEXTS = (
    "",
    "²",
    "٣",
    "1e999",
    "nan",
    "-1",
    "x" * 10_000,
    "\x00",
    "\ud800",
    "2026-13-40",
    "0000-00-00",
    "35",
    "kcl-0.1",
)
OTHERS = (None, True, False, [], {}, [[]], [None], ["²"], [["35"]], {"a": {"b": [1]}}, [1] * 2000)
TIMES = ("9999-12-31T23:59:59-14:00", "0001-01-01T00:00:00+14:00", "2026-02-30T00:00+00:00", "2026-03-02", "now")
DATES = ("2026-13-40", "2026-02-30", "9999-12-31", "0001-01-01", "0", "yesterday", "2031-01-01")
KINDS = ("titrant", "titre", "ph", "sample-pump", "nothing", "²")
HOURS = ("0", "²", "٣", "1e1", "6", "-1", "nan", "99", "1.", ".", "1" * 400)

PROCEDURES = {
    "calibrate-pump": {"pump": "titrant", "times": 3, "by": "mass", "reading_u": 0.01, "volume_ml": 20.0,
                       "liquid": "water", "salinity": 35.0, "new_tube": True, "small_doses": 0},
    "calibrate-ph": {"buffers": ["phosphate", "phthalate"]},
    "calibrate-conductivity": {"standards": ["35"], "together_s": 600.0},
    "calibrate-temperature": {"thermometer_u_k": 0.1},
    "standardise": {"alkalinity_umol_kg": 2200.0, "u_umol_kg": 2.0, "medium": "seawater", "times": 3, "lot": "a",
                    "expires": "2031-01-01", "by_hand": True},
    "change-bottle": {"lot": "b", "expires": "2031-01-01", "mol_per_l": 0.05, "u_percent": 0.5, "volume_ml": 1000.0,
                      "bridge": False},
    "prime": {"pump": "sample", "volume_ml": 5.0, "drain_first": True},
    "spike": {"added_umol_kg": 300.0, "u_umol_kg": 1.0},
    "blank": {"high_umol_kg": 2400.0, "low_umol_kg": 1200.0, "times": 2},
    "check-tris": {"salinity": 35.0},
    "park": {"flushes": 1},
    "resume": {},
}  # fmt: skip
ENTRIES = (
    {"kind": "dose", "chemical": "soda", "amount": 20.0, "unit": "mL"},
    {"kind": "water-change", "litres": 40.0, "alkalinity_dkh": 7.5, "salinity": 35.0},
    {"kind": "test", "quantity": "alkalinity_dkh", "value": 7.4, "method": "drops"},
    {"kind": "remark", "text": "a new coral"},
    {"kind": "doser", "supplement": "soda", "ml_per_day": 120.0},
    {"kind": "event", "what": "coral-added", "text": "two"},
)
WORDS = (
    ["reset"],
    ["empty"],
    ["rinse"],
    ["measure"],
    ["part", "replaced", "titrant"],
    ["part", "emptied", "waste"],
    ["part", "emptied", "vessel"],
    ["part", "installed", "tube"],
    ["hold", "0"],
    ["hold", "6"],
    ["proved", "leak", "passed", "ada"],
    ["bypass", "clock", "1", "why"],
    ["bypass", "proof-test", "0.5", "why"],
)
OFTEN = {"guide": 16, "operate": 8, "log": 4, "roll-back": 3, "away": 2}
"""How often a method comes in a round of all, where that is not once: these have most to them."""


def sound(dice, method):
    """Return parameters that are right for a method."""
    procedure = dice.choice(list(PROCEDURES))
    return {
        "measure": lambda: {"source": "other"},
        "operate": lambda: {"words": list(dice.choice(WORDS))},
        "log": lambda: {"entry": dict(dice.choice(ENTRIES)), "at": "2026-01-01T12:00+00:00"},
        "log-list": lambda: {"limit": 3},
        "log-undo": lambda: {"number": 1, "who": "ada"},
        "log-correct": lambda: {"number": 1, "entry": dict(dice.choice(ENTRIES)), "who": "ada", "sure": True},
        "log-import": lambda: {
            "rows": [{"line": 2, "at": "yesterday 9:00", "entry": dict(dice.choice(ENTRIES))}],
            "look": False,
            "sure": True,
        },
        "condition": lambda: {"name": "lights", "holds": True},
        "schedule": lambda: {"count": 3},
        "results": lambda: {"limit": 3},
        "acknowledge": lambda: {"code": "proof-due"},
        "away": lambda: {"days": dice.choice((0, 10)), "apply": True},
        "guide": lambda: {"procedure": procedure, "options": dict(PROCEDURES[procedure]), "answers": {}, "who": "ada"},
        "answer": lambda: {"key": "collected", "text": "20"},
        "calibrations": lambda: {"kind": "titrant"},
        "roll-back": lambda: {"kind": "titrant", "number": 1, "who": "ada"},
    }.get(method, dict)()


def hostile(dice):
    """Return a value that nobody expects."""
    return dice.choice(dice.choice((NUMBERS, TEXTS, OTHERS, TIMES, DATES, KINDS, HOURS)))


def spoilt(dice, value, depth=0):
    """Return a table or list with something in it made hostile, or a hostile value."""
    if not isinstance(value, dict | list) or not value or dice.random() < 0.04:
        return hostile(dice)
    if isinstance(value, list):
        at = dice.randrange(len(value))
        return [*value[:at], spoilt(dice, value[at]), *value[at + 1 :]]
    if dice.random() < 0.06:
        return {**value, dice.choice(("unknown", "x" * 10_000, "\ud800", "")): hostile(dice)}
    key = "options" if value.get("options") and dice.random() < 0.8 else dice.choice(list(value))
    return {**value, key: spoilt(dice, value[key])}


def calls(seed, count):
    """Yield so many calls as method, parameters and what stops them: one in four is sound, the others are spoilt."""
    dice = random.Random(seed)
    methods = [method for method in protocol.METHODS for _ in range(OFTEN.get(method, 1))]
    for number in range(count):
        if number % len(methods) == 0:
            dice.shuffle(methods)
        method = methods[number % len(methods)]
        params = sound(dice, method)
        for _ in range(dice.choice((0, 1, 1, 2))):
            if params:
                params = spoilt(dice, params)
            elif dice.random() < 0.3:
                params = {"unknown": hostile(dice)}
        yield method, params, dice.choice(STOPPED_AFTER_S)


class Life:
    """One service, alive from here to its death, or to the end of the test."""

    def __init__(self, folder, seed=5):
        folder.mkdir()
        records = str(folder / "records.sqlite")
        self._beside = ExitStack()
        self.hands = keeper(records=records)
        self._beside.callback(self.hands.stage.close)
        self.service, self.clock = self.hands.service, self.hands.stage.clock
        self.service.idle_s = 0.5
        reader = open_for_reading(records, self.clock)
        self._beside.callback(reader.close)
        remote = Remote(self.service, reader, lambda: self.service.reload(self.service.file))
        server = Server(folder / "s.sock", remote.handlers())
        self._beside.callback(server.close)
        self.service.on_event = self._hear
        self._dice = random.Random(seed)
        self._caller, self._other = (self._dial(folder / "s.sock") for _ in range(2))
        self._number = 0
        self.ended = []
        self.stops = []
        self.replies = []
        self.call("operate", {"words": ["hold", "72"]})  # what moves then, was sent

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self._beside.close()

    def _dial(self, path):
        connection = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._beside.callback(connection.close)
        connection.connect(str(path))
        connection.settimeout(0.02)
        return connection

    def call(self, method, params, stopped_after_s=5.0):
        """Call a method, let the service do what it makes of that, and return the answer."""
        self._number += 1
        self.clock.call_later(stopped_after_s, lambda number=self._number: self._stop(number))
        _send(self._caller, self._number, method, params)
        answer = None
        while answer is None or self.service.running is not None or not self.service.mailbox.empty():
            answer = answer or _line(self._caller)
            self.service.run(until_s=self.clock.monotonic() + 0.5)
        assert answer.get("id") in (self._number, None), answer
        return answer

    def _ask(self, method, params):
        """Call as a second client, while the service is in the midst of something."""
        _send(self._other, 1, method, params)
        answer = None
        while answer is None:
            answer = _line(self._other)
        return answer

    def _stop(self, number):
        if number == self._number and self.service.running is not None:
            self.stops.append(self._ask("stop", {}))
            self.clock.call_later(5.0, lambda: self._stop(number))

    def _hear(self, kind, what):
        if kind == "ended":
            self.ended.append(what)
        elif kind == "question":
            self.clock.call_later(2.0, lambda: self._reply(what))

    def _reply(self, question):
        """Answer what is asked: nonsense first, then what it wants to hear."""
        wanted = "done" if question["unit"] is None else str(0.5 * (question["low"] + question["high"]))
        for text in (hostile(self._dice), hostile(self._dice), wanted):
            self.replies.append(self._ask("answer", {"key": question["key"], "text": text}))


def _send(connection, number, method, params):
    message = {"jsonrpc": "2.0", "id": number, "method": method, "params": params}
    connection.sendall(json.dumps(message).encode() + b"\n")


def _line(connection):
    """Return the next message, strict JSON, or None if none is there yet."""
    data = b""
    while not data.endswith(b"\n"):
        try:
            data += connection.recv(1 << 20)
        except TimeoutError:
            if not data:
                return None
    (line,) = data.splitlines()
    return json.loads(line, parse_constant=_refuse)


def _refuse(constant):
    raise AssertionError(f"{constant} is not JSON")
