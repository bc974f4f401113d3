"""The shim around `node.py` on a board with an RP2040 or RP2350: pins, pulses, USB serial, watchdog.

Pulses come from the PIO, counted down in hardware, so that Python's pauses neither add nor lose a step. All outputs are
low at reset, with pull-downs on the board. Untested on a board until somebody has one in hand: see README.md.
"""

import os
import select
import sys
import time

import machine
import micropython
import rp2

from node import Node

STEP, DIRECTION, ENABLE = (2, 5, 8), (3, 6, 9), (4, 7, 10)
STIRRER, FLOAT, SERVICE = 14, 15, 22
ADDRESS = 10


@rp2.asm_pio(set_init=rp2.PIO.OUT_LOW)
def pulses():
    """Send as many pulses as the number pulled says, less one, each of two equal halves; then say so."""
    pull(block)
    mov(x, osr)
    label("pulse")
    set(pins, 1)[15]
    set(pins, 0)[14]
    jmp(x_dec, "pulse")
    irq(rel(0))


class Motor:
    """One step and direction driver."""

    def __init__(self, number):
        self.enable = machine.Pin(ENABLE[number], machine.Pin.OUT, value=0)
        self.direction = machine.Pin(DIRECTION[number], machine.Pin.OUT, value=0)
        self.step = machine.Pin(STEP[number], machine.Pin.OUT, value=0)
        self.number = number
        self.machine = None
        self.asked = self.rate = self.began_us = self.ended = 0
        self.stopped = None

    def start(self, steps, rate, backward):
        self.direction.value(1 if backward else 0)
        self.enable.value(1)
        self.asked, self.rate, self.ended, self.stopped = steps, rate, False, None
        self.machine = rp2.StateMachine(self.number, pulses, freq=rate * 32, set_base=self.step)
        self.machine.irq(self._over)
        self.began_us = time.ticks_us()
        self.machine.active(1)
        self.machine.put(steps - 1)

    def _over(self, _):
        self.ended = True

    def steps(self):
        if self.ended:
            return self.asked
        if self.stopped is not None:
            return self.stopped
        if self.machine is None:
            return 0
        return min(self.asked, time.ticks_diff(time.ticks_us(), self.began_us) * self.rate // 1000000)

    def stop(self):
        if self.machine is not None:
            self.stopped = self.steps()
            self.machine.active(0)
            self.machine = None
        self.enable.value(0)
        self.step.init(machine.Pin.OUT, value=0)


def run():
    """Serve for ever; the hardware's own watchdog resets a loop that does not come round."""
    if not machine.Pin(SERVICE, machine.Pin.IN, machine.Pin.PULL_UP).value():
        return  # held to ground at power-on: the board stays at its prompt, for new files
    micropython.kbd_intr(-1)  # byte 3 is a byte of frames here, and no Ctrl-C
    stirrer = machine.PWM(machine.Pin(STIRRER), freq=200, duty_u16=0)
    float_pin = machine.Pin(FLOAT, machine.Pin.IN, machine.Pin.PULL_UP)
    cause = 1 if machine.reset_cause() == machine.WDT_RESET else 0
    node = Node(
        ADDRESS,
        [Motor(number) for number in range(3)],
        lambda permille: stirrer.duty_u16(permille * 65535 // 1000),
        lambda: bool(float_pin.value()),  # normally closed to ground: open, or a broken wire, is up
        cause,
        int.from_bytes(os.urandom(2), "big") or 1,
    )
    node.self_test()
    watchdog = machine.WDT(timeout=400)
    port = select.poll()
    port.register(sys.stdin, select.POLLIN)
    now_ms, seen_ms = 0, time.ticks_ms()
    while True:
        ticks_ms = time.ticks_ms()  # which begins anew every twelve days
        now_ms, seen_ms = now_ms + time.ticks_diff(ticks_ms, seen_ms), ticks_ms
        data = b""
        while port.poll(0) and len(data) < 64:
            data += sys.stdin.buffer.read(1)
        if data:
            answer = node.feed(data, now_ms)
            if answer:
                sys.stdout.buffer.write(answer)
        node.tick(now_ms)
        watchdog.feed()


run()
