"""Runs the node's mind against motors that turn in given time. The same file under CPython and MicroPython.

`step` takes and gives JSON: the time, bytes to the node, and what stands at its inputs; bytes from it, and its motors.
"""

import json

TICK_MS = 5
TICKS_PER_MS = 4000


class Clock:
    now_ms = 0


class Motor:
    """Sends its pulses as the stages say, the first at once, as hardware does; its counter may be dead or miss some."""

    def __init__(self, clock):
        self.clock = clock
        self.plan = []
        self.began_ms = self.kept = self.total = 0
        self.turning = self.held = self.backward = False
        self.counter = "works"  # or "dead": answers nothing; "blind": sees none; "noisy": sees more than there are
        self.told = []  # (ms, what) for the last motion

    def hold(self, backward):
        self.held, self.backward = True, backward
        self.told = [(self.clock.now_ms, "held")]

    def send(self, stages):
        self.plan, self.began_ms, self.turning = stages, self.clock.now_ms, True
        self.told.append((self.clock.now_ms, "sent"))

    def sent(self):
        """Return how many pulses the pin has had in this motion."""
        if not self.turning:
            return self.kept
        left = (self.clock.now_ms - self.began_ms) * TICKS_PER_MS
        pulses = 0
        for number, ticks in self.plan:
            if left < number * ticks:
                return pulses + left // ticks + 1
            pulses += number
            left -= number * ticks
        return pulses

    def ended(self):
        return self.turning and self.clock.now_ms - self.began_ms >= -(
            -sum([n * t for n, t in self.plan]) // TICKS_PER_MS
        )

    def count(self):
        if self.counter == "dead":
            return None
        if self.counter == "blind":
            return 0
        return self.sent() + (400 if self.counter == "noisy" and self.plan else 0)

    def halt(self):
        if self.turning:
            self.kept = self.sent()
            self.total += self.kept
            self.turning = False
            self.told.append((self.clock.now_ms, "halted"))

    def free(self):
        if self.held:
            self.told.append((self.clock.now_ms, "freed"))
        self.held = False


class Board:
    """A node on its board."""

    def __init__(self, make_node, make_motor=Motor):
        self.clock = Clock()
        self.make_node = make_node
        self.make_motor = make_motor
        self.float_open = False
        self.stirred = 0
        self.motors = []
        self.boot(1, 0)

    def boot(self, nonce, cause):
        """Start anew: motors stop, what they have done stays done."""
        for motor in self.motors:
            motor.halt()
        done = [motor.total for motor in self.motors] or [0, 0, 0]
        self.motors = [self.make_motor(self.clock) for _ in range(3)]
        for number in range(3):
            self.motors[number].total = done[number]
        self.node = self.make_node(10, self.motors, self.stir, lambda: self.float_open, cause, nonce)
        self.node.self_test()

    def stir(self, permille):
        self.stirred = permille

    def until(self, now_ms):
        """Let the node's loop come round until then."""
        while self.clock.now_ms < now_ms:
            self.clock.now_ms = min(now_ms, self.clock.now_ms + TICK_MS)
            self.node.tick(self.clock.now_ms)

    def step(self, text):
        asked = json.loads(text)
        if "counter" in asked:
            for motor in self.motors:
                motor.counter = asked["counter"]
        self.until(asked["now"])
        self.float_open = asked.get("float", self.float_open)
        if "boot" in asked:
            self.boot(asked["boot"], asked.get("cause", 2))
        sent = self.node.feed(bytes.fromhex(asked.get("rx", "")), self.clock.now_ms)
        return json.dumps(
            {
                "tx": sent.hex(),
                "turning": [motor.turning for motor in self.motors],
                "held": [motor.held for motor in self.motors],
                "backward": [motor.backward for motor in self.motors],
                "total": [motor.total + (motor.sent() if motor.turning else 0) for motor in self.motors],
                "told": [motor.told for motor in self.motors],
                "stirred": self.stirred,
                "unpermitted_ms": self.node.unpermitted_ms,
                "latches": self.node.latches,
                "disagreed": self.node.disagreed,
            }
        )
