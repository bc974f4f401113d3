"""The board's chip for tests: `machine`, `rp2` and `time` as the shim uses them, on an emulator of the RP2040.

State machines, FIFOs, clock dividers, DMA and its requests are rp2040py's, reached by their registers (RP2040 data
sheet, 3.7 and 2.5.7); the words of a PIO program are put together by the same library's encoder. Here are only the
names under which MicroPython offers them, and the wires: each pad is read back by the chip, as it is on silicon.
"""

import array
from types import FunctionType, ModuleType, SimpleNamespace

from rp2040py.rp2040 import RP2040
from rp2040py.utils import pio_assembler as pio

# The emulator does one instruction of each state machine in a slice of time: a slice is a cycle of the pulses' machine,
# and the system's clock, 125 MHz by default, is one that makes it whole.
SLICE_CYCLES = 31
CLOCK_HZ = 4_000_000 * SLICE_CYCLES
DMA, IO, PADS, SIO, PIOS, RAM = (
    0x5000_0000,
    0x4001_4000,
    0x4001_C000,
    0xD000_0000,
    (0x5020_0000, 0x5030_0000),
    0x2000_0000,
)
INSTR_MEM, SM, SM_SIZE, RXF, FLEVEL, CTRL = 0x48, 0xC8, 0x18, 0x20, 0x0C, 0x00
CLKDIV, EXECCTRL, INSTR, PINCTRL = 0x00, 0x04, 0x10, 0x14
FUNCTION_SIO, FUNCTION_PIO = 5, 6

REGISTERS = {"pins": 0, "x": 1, "y": 2, "isr": 6, "osr": 7}
CONDITIONS = {"not_x": 1, "x_dec": 2, "not_y": 3, "y_dec": 4}


class Program:
    """A PIO program, from the function whose calls are its instructions."""

    def __init__(self, function, out_low):
        self.out_low = out_low
        self._labels, self._calls = {}, []
        names = {word: word for word in (*REGISTERS, *CONDITIONS, "pin", "block", "noblock")}
        names |= {
            "label": lambda name: self._labels.__setitem__(name, len(self._calls)),
            **{name: self._instruction(name) for name in ("pull", "push", "mov", "set", "jmp", "wait")},
        }
        FunctionType(function.__code__, names)()
        self.words = [encode(name, args, self._labels) for name, args in self._calls]

    def _instruction(self, name):
        return lambda *args: self._calls.append((name, args))


def encode(name, args, labels):
    """Return an instruction's word. The encoder's last argument of pull and push is the data sheet's block bit."""
    if name == "pull":
        return pio.pio_pull(False, args != ("noblock",))
    if name == "push":
        return pio.pio_push(False, args != ("noblock",))
    if name == "mov":
        return pio.pio_mov(REGISTERS[args[0]], REGISTERS[args[1]])
    if name == "set":
        return pio.pio_set(REGISTERS[args[0]], args[1])
    if name == "wait":
        assert args[1] == "pin"
        return pio.pio_wait(bool(args[0]), pio.PIO_WAIT_SRC_PIN, args[2])
    *condition, to = args
    return pio.pio_jmp(labels[to], CONDITIONS[condition[0]] if condition else 0)


class Chip:
    """An RP2040 without its processor: this Python plays it."""

    def __init__(self):
        self.rp2040 = RP2040()
        self.rp2040.simulator = object()  # time passes in `run` alone
        self.write, self.read = self.rp2040.write_uint32, self.rp2040.read_uint32
        self.edges = {}  # pad: [(s, level)]
        self.shorted = set()  # pads that are held low from outside
        self.claimed = 0
        self.heap = RAM
        self._enabled = [0, 0]
        self._programs = [None, None]
        self._fraction = 0

    @property
    def now_s(self):
        return self.rp2040.clock.nanos * 1e-9

    def run(self, seconds):
        """Let time pass."""
        blocks, clock, slice_ns = self.rp2040.pio, self.rp2040.clock, SLICE_CYCLES * 1e9 / CLOCK_HZ
        for _ in range(round(seconds * CLOCK_HZ / SLICE_CYCLES)):
            blocks[0].advance(SLICE_CYCLES)
            blocks[1].advance(SLICE_CYCLES)
            clock.tick(slice_ns)

    def wire(self, number):
        """Read a pad back, and keep its edges."""
        if number in self.edges:
            return
        self.edges[number] = []
        pin = self.rp2040.gpio[number]
        pin.pad_value |= 0x40  # input enable, as its functions have it

        def changed(state, _):
            level = int(state.name == "HIGH" and number not in self.shorted)
            if level != (self.edges[number][-1][1] if self.edges[number] else 0):
                self.edges[number].append((self.now_s, level))
                pin.set_input_value(bool(level))

        pin.add_listener(changed)

    def disturb(self, number, times):
        """Let a pad see short pulses from outside, as from a motor's cable."""
        for _ in range(times):
            for level in (True, False):
                self.rp2040.gpio[number].set_input_value(level)
                self.run(4e-6)

    def function(self, number, which):
        self.write(IO + 8 * number + 4, which)
        self.rp2040.gpio[number].check_for_updates()

    def enable(self, block, number, on):
        self._enabled[block] = self._enabled[block] & ~(1 << number) | (on << number)
        self.write(PIOS[block] + CTRL, self._enabled[block])

    def load(self, block, program):
        assert self._programs[block] in (None, program), "one program a block"
        self._programs[block] = program
        for at, word in enumerate(program.words):
            self.write(PIOS[block] + INSTR_MEM + 4 * at, word)

    # What MicroPython offers -----------------------------------------------------------

    def modules(self):
        """Return `machine`, `rp2` and `time`."""
        machine, rp2, time = ModuleType("machine"), ModuleType("rp2"), ModuleType("time")
        chip = self

        class Pin:
            OUT, IN, PULL_UP = "out", "in", "up"

            def __init__(self, number, mode=None, pull=None, value=None):
                self.number = number
                chip.wire(number)
                self.init(mode, pull, value=value)

            def init(self, mode, pull=None, value=None):
                if mode != "out":
                    chip.rp2040.gpio[self.number].pad_value = (
                        0x5A if pull == "up" else 0x56
                    )  # 2.19.6.3: pulls, input enable
                    return
                chip.write(SIO + 0x24, 1 << self.number)
                if value is not None:
                    self.value(value)
                chip.function(self.number, FUNCTION_SIO)

            def value(self, *new):
                if not new:
                    return int(chip.rp2040.gpio[self.number].input_value)
                chip.write(SIO + (0x14 if new[0] else 0x18), 1 << self.number)
                return chip.rp2040.gpio[self.number].check_for_updates()

        machine.Pin = Pin
        rp2.PIO = SimpleNamespace(OUT_LOW="low")
        rp2.asm_pio = lambda set_init=None: lambda function: Program(function, set_init == "low")
        rp2.StateMachine = lambda *args, **how: StateMachine(chip, *args, **how)
        rp2.DMA = lambda: Dma(chip)
        time.sleep_us = lambda us: chip.run(us * 1e-6)
        time.ticks_ms = lambda: int(chip.now_s * 1000.0)
        time.ticks_diff = lambda now, then: now - then
        return {"machine": machine, "rp2": rp2, "time": time}


class StateMachine:
    """`rp2.StateMachine`: made anew, it stands at its first instruction with empty FIFOs."""

    def __init__(self, chip, number, program, freq=CLOCK_HZ, set_base=None, in_base=None):
        self.chip, (self.block, self.number) = chip, divmod(number, 4)
        self.base = PIOS[self.block]
        self.at = self.base + SM + SM_SIZE * self.number
        self.active(0)
        chip.load(self.block, program)
        chip.write(self.at + CLKDIV, round(CLOCK_HZ / freq * 256) << 8)
        chip.write(self.at + EXECCTRL, len(program.words) - 1 << 12)
        set_pin, in_pin = (pin.number if pin else 0 for pin in (set_base, in_base))
        chip.write(self.at + PINCTRL, 1 << 26 | set_pin << 5 | in_pin << 15)
        chip.write(self.base + CTRL, chip._enabled[self.block] | 1 << 4 + self.number)
        for _ in range(4):  # as deep as the FIFOs are
            self._execute(encode("pull", ("noblock",), {}))
            if self.rx_fifo():
                self.get()
        self._execute(pio.pio_jmp(0))
        if set_base:
            self._execute(pio.pio_set(0, 0))
            self._execute(pio.pio_set(pio.PIO_DEST_PINDIRS, 1))
            chip.rp2040.pio[self.block].check_changed_pins()
            chip.function(set_pin, FUNCTION_PIO + self.block)

    def _execute(self, word):
        self.chip.write(self.at + INSTR, word)

    def exec(self, text):
        name, args = text.rstrip(")").split("(")
        words = [int(word) if word.strip().isdigit() else word.strip() for word in args.split(",")]
        self._execute(encode(name, tuple(words), {}))

    def active(self, on):
        self.chip.enable(self.block, self.number, on)

    def rx_fifo(self):
        return self.chip.read(self.base + FLEVEL) >> 8 * self.number + 4 & 0xF

    def get(self):
        assert self.rx_fifo(), "the real one would wait for ever"
        return self.chip.read(self.base + RXF + 4 * self.number)


class Dma:
    """`rp2.DMA`: a channel, its control word packed as the data sheet's 2.5.7 has it."""

    def __init__(self, chip):
        self.chip, self.number = chip, chip.claimed
        chip.claimed += 1

    def pack_ctrl(self, inc_write=True, treq_sel=0x3F):
        return 1 | 2 << 2 | 1 << 4 | inc_write << 5 | self.number << 11 | treq_sel << 15 | 1 << 21

    def config(self, read, write, count, ctrl, trigger):
        assert isinstance(read, array.array)
        assert (read.itemsize, trigger) == (4, True)
        at, place = DMA + 0x40 * self.number, self.chip.heap + 0x4000 * self.number
        for index, word in enumerate(read):
            self.chip.write(place + 4 * index, word)
        self.chip.write(at + 0x0, place)
        self.chip.write(at + 0x4, write)
        self.chip.write(at + 0x8, count)
        self.chip.write(at + 0xC, ctrl)

    def active(self, on):
        assert not on
        self.chip.write(DMA + 0x444, 1 << self.number)
