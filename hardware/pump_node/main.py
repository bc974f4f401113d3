"""The shim around `node.py` on a board with an RP2040 or RP2350: pins, pulses, USB serial, watchdog.

Pulses come from the PIO, which DMA feeds with the whole motion before its first pulse, so that Python's pauses neither
add nor lose a step, nor break a ramp. A second state machine, in the other PIO block, counts the rising edges of each
step pin: what is reported is what it has seen there. All outputs are low at reset, with pull-downs on the board.
Needs MicroPython 1.22 (`rp2.DMA`). Untested on a board until somebody has one in hand: see README.md.
"""

import array
import os
import select
import sys
import time

import machine
import micropython
import rp2

from node import TICKS_PER_S, Node

STEP, DIRECTION, ENABLE = (2, 5, 8), (3, 6, 9), (4, 7, 10)
STIRRER, FLOAT, SERVICE = 14, 15, 22
ADDRESS = 10
COUNTERS = 4  # the first state machine of the second PIO block
TX_FIFOS = 0x50200010  # TXF0 of the first PIO block (RP2040 data sheet, 3.7; the RP2350 has it there too)
TX_REQUESTS = 0  # DREQ_PIO0_TX0 (RP2040 data sheet, 2.5.3.1): the first block's come first, one a state machine
PERIOD_CYCLES = 8  # what a pulse takes beside its two waits: see `pulses`
SHORTEST_US = 5  # a step that has begun is high for so long at least


@rp2.asm_pio(set_init=rp2.PIO.OUT_LOW)
def pulses():
    """Send stages of pulses: the number of a stage, then the cycles of each half beyond its own; a number of 0 ends."""
    label("stage")
    pull(block)
    mov(x, osr)
    jmp(not_x, "over")
    pull(block)
    label("next")
    jmp(x_dec, "pulse")
    jmp("stage")
    label("pulse")
    set(pins, 1)
    mov(y, osr)
    label("high")
    jmp(y_dec, "high")
    set(pins, 0)
    mov(y, osr)
    label("low")
    jmp(y_dec, "low")
    jmp("next")
    label("over")
    push(noblock)


@rp2.asm_pio()
def edges():
    """Count X down by every rising edge of the pin."""
    label("again")
    wait(0, pin, 0)
    wait(1, pin, 0)
    jmp(x_dec, "again")


class Motor:
    """One step and direction driver."""

    def __init__(self, number):
        self.enable = machine.Pin(ENABLE[number], machine.Pin.OUT, value=0)
        self.direction = machine.Pin(DIRECTION[number], machine.Pin.OUT, value=0)
        self.step = machine.Pin(STEP[number], machine.Pin.OUT, value=0)
        self.number = number
        self.sender = None
        self.words = None
        self.feeder = rp2.DMA()
        self.control = self.feeder.pack_ctrl(inc_write=False, treq_sel=TX_REQUESTS + number)
        self.counter = rp2.StateMachine(COUNTERS + number, edges, in_base=self.step)
        self.counter.exec("set(x, 0)")
        self.counter.active(1)

    def hold(self, backward):
        self.direction.value(1 if backward else 0)
        self.enable.value(1)

    def send(self, stages):
        words = array.array("I")
        for number, ticks in stages:
            words.append(number)
            words.append((ticks - PERIOD_CYCLES + 1) // 2)
        words.append(0)
        self.words = words  # the DMA reads them as long as it runs
        self.sender = rp2.StateMachine(self.number, pulses, freq=TICKS_PER_S, set_base=self.step)
        self.counter.exec("set(x, 0)")
        fifo = TX_FIFOS + 4 * self.number
        self.feeder.config(read=words, write=fifo, count=len(words), ctrl=self.control, trigger=True)
        self.sender.active(1)

    def ended(self):
        return self.sender is not None and self.sender.rx_fifo() > 0

    def count(self):
        self.counter.exec("mov(isr, x)")
        self.counter.exec("push(noblock)")
        if not self.counter.rx_fifo():
            return None
        return -self.counter.get() & 0xFFFFFFFF

    def halt(self):
        if self.sender is not None:
            self.sender.active(0)  # the pin stays as it is
            self.feeder.active(0)
            self.sender = None
            time.sleep_us(SHORTEST_US)
        self.step.init(machine.Pin.OUT, value=0)

    def free(self):
        self.enable.value(0)


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
        lambda: bool(float_pin.value()),  # normally closed to ground: a broken wire is open, too
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
