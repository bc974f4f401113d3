"""Runs the shim itself under MicroPython, on modules that stand in for the board's; every pulse is sent at once.

What the pulses are is not asked here: whether MicroPython takes the file, and each line of it, is.
"""

import array


class Over(Exception):  # noqa: N818 - the end of the script, not an error
    """The script has been played to its end."""


class Module:
    pass


def stand_ins(frames, sent, service_held):
    """Return the modules by name."""
    machine, rp2, micropython, select, time, os = [Module() for _ in range(6)]
    fed, seen, made = [0], {}, {}

    class Pin:
        OUT, IN, PULL_UP = 1, 0, 2

        def __init__(self, number, mode=None, pull=None, value=0):
            self.number, self.level = number, value

        def init(self, mode, value=0):
            self.level = value

        def value(self, *new):
            if new:
                self.level = new[0]
            return int(not service_held) if self.number == 22 else self.level

    class Pwm:
        def __init__(self, pin, freq, duty_u16):
            pass

        def duty_u16(self, value):
            pass

    class Watchdog:
        def __init__(self, timeout):
            pass

        def feed(self):
            fed[0] += 1
            if fed[0] > 200:
                raise Over

    class StateMachine:
        def __init__(self, number, program, freq=-1, set_base=None, in_base=None):
            self.number, self.fifo = number, []
            made[number] = self

        def exec(self, text):
            if text == "set(x, 0)":
                seen[self.number] = 0
            if text == "push(noblock)":
                self.fifo.append(-seen[self.number] & 0xFFFFFFFF)

        def active(self, on):
            pass

        def rx_fifo(self):
            return len(self.fifo)

        def get(self):
            return self.fifo.pop(0)

    class Dma:
        def pack_ctrl(self, inc_write, treq_sel):
            return treq_sel

        def config(self, read, write, count, ctrl, trigger):
            assert len(read) == count
            assert isinstance(read, array.array)
            number = (write - 0x50200010) // 4
            seen[4 + number] += sum([read[at] for at in range(0, count, 2)])
            made[number].fifo.append(0)  # all has been sent

        def active(self, on):
            pass

    class Poll:
        def register(self, what, flags):
            pass

        def poll(self, ms):
            while frames and not frames[0][1]:
                frames.pop(0)
            return bool(frames) and fed[0] > frames[0][0]

    machine.Pin, machine.PWM, machine.WDT = Pin, Pwm, Watchdog
    machine.reset_cause, machine.WDT_RESET = lambda: 3, 3
    rp2.StateMachine, rp2.DMA, rp2.PIO = StateMachine, Dma, Module()
    rp2.PIO.OUT_LOW = 0
    rp2.asm_pio = lambda **how: lambda function: function
    micropython.kbd_intr = lambda char: None
    select.POLLIN, select.poll = 1, Poll
    time.ticks_ms = lambda: fed[0]
    time.ticks_diff = lambda now, then: now - then
    time.sleep_us = lambda us: None
    os.urandom = lambda count: bytes(count)
    stdin, stdout = Module(), Module()
    stdin.buffer, stdout.buffer = Module(), Module()
    stdin.buffer.read = lambda count: bytes([frames[0][1].pop(0)])
    stdout.buffer.write = sent.extend
    system = Module()
    system.stdin, system.stdout = stdin, stdout
    return {
        "machine": machine,
        "rp2": rp2,
        "micropython": micropython,
        "select": select,
        "time": time,
        "os": os,
        "sys": system,
    }


def play(source, node, frames, service_held=False):
    """Run the shim until its script is over; return what it sent, in hexadecimal.

    `frames` are "round:bytes round:bytes".
    """
    sent = bytearray()
    told = [part.split(":") for part in frames.split()]
    modules = stand_ins([(int(at), list(bytes.fromhex(data))) for at, data in told], sent, service_held)
    modules["node"] = node
    modules["array"] = array
    names = {"__name__": "__main__"}
    lines = []
    for line in source.split("\n"):  # its imports are the names that it finds
        if line.startswith("import "):
            names[line[7:]] = modules[line[7:]]
        elif line.startswith("from node import "):
            for name in line[17:].split(", "):
                names[name] = getattr(node, name)
        else:
            lines.append(line)
    try:  # noqa: SIM105 - MicroPython has no contextlib
        exec("\n".join(lines), names)
    except Over:
        pass
    return sent.hex()
