"""Runs the node's mind against motors that turn in given time. The same file under CPython and MicroPython.

`step` takes and gives JSON: the time, bytes to the node, and what stands at its inputs; bytes from it, and its motors.
"""

import json

TICK_MS = 5


class Clock:
    now_ms = 0


class Motor:
    """Turns evenly from its start, as a PIO's pulses do."""

    def __init__(self, clock):
        self.clock = clock
        self.asked = self.rate = self.began_ms = self.kept = self.total = 0
        self.turning = False

    def start(self, steps, rate, backward):
        self.asked, self.rate, self.began_ms, self.turning = steps, rate, self.clock.now_ms, True

    def steps(self):
        if self.turning:
            return min(self.asked, (self.clock.now_ms - self.began_ms) * self.rate // 1000)
        return self.kept

    def stop(self):
        if self.turning:
            self.kept = self.steps()
            self.total += self.kept
            self.turning = False


class Board:
    """A node on its board."""

    def __init__(self, make_node, make_motor=Motor):
        self.clock = Clock()
        self.make_node = make_node
        self.make_motor = make_motor
        self.float_up = False
        self.stirred = 0
        self.motors = []
        self.boot(1, 0)

    def boot(self, nonce, cause):
        """Start anew: motors stop, what they have done stays done."""
        for motor in self.motors:
            motor.stop()
        done = [motor.total for motor in self.motors] or [0, 0, 0]
        self.motors = [self.make_motor(self.clock) for _ in range(3)]
        for number in range(3):
            self.motors[number].total = done[number]
        self.node = self.make_node(10, self.motors, self.stir, lambda: self.float_up, cause, nonce)
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
        self.float_up = asked.get("float", self.float_up)
        self.until(asked["now"])
        if "boot" in asked:
            self.boot(asked["boot"], asked.get("cause", 2))
        sent = self.node.feed(bytes.fromhex(asked.get("rx", "")), self.clock.now_ms)
        return json.dumps(
            {
                "tx": sent.hex(),
                "turning": [motor.turning for motor in self.motors],
                "total": [motor.total + (motor.steps() if motor.turning else 0) for motor in self.motors],
                "stirred": self.stirred,
                "unpermitted_ms": self.node.unpermitted_ms,
                "latches": self.node.latches,
            }
        )
