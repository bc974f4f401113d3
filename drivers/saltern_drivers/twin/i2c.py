"""The twin's I2C bus: registers of the chips that a bench file names, with the world behind them.

A converter's input 0 sees the stirrer's current through 1 ohm; 1 the electrode behind a preamplifier, its zero at
1.024 V; 2 a conductivity transmitter of 20 mV for each mS/cm, not compensated; 3 a thermometer of 10 mV a kelvin. The
load cell sees what stands in the vessel.
"""

import errno

from saltern.ports import Clock
from saltern_drivers.twin.load_cell import LoadCell
from saltern_drivers.twin.world import World

CONVERTER, SCALE = range(0x48, 0x4C), 0x2A
FULL_SCALE_V = (6.144, 4.096, 2.048, 1.024, 0.512, 0.256, 0.256, 0.256)
CONVERTER_S = 0.125
RUNNING_MA, HELD_MA = 80.0, 260.0
"""A small motor's current at full speed, and when it is held fast at full power (an assumption)."""


class Bus:
    """The chips on every bus of a bench, whoever has them open; without power they forget their settings."""

    def __init__(self, world: World, clock: Clock) -> None:
        self._world = world
        self._clock = clock
        self._converters: dict[int, tuple[int, float]] = {}
        self.scale = LoadCell(clock, self._counts)
        self.silent = False  # the wires are off: no chip answers
        self.gone = False  # the bus itself

    def write_i2c_block_data(self, i2c_addr: int, register: int, data: list[int]) -> None:
        now_s = self._here(i2c_addr)
        if i2c_addr in CONVERTER and register == 1:
            self._converters[i2c_addr] = (data[0] << 8 | data[1], now_s)
        elif i2c_addr == SCALE:
            self.scale.write(register, data[0])

    def read_i2c_block_data(self, i2c_addr: int, register: int, length: int) -> list[int]:
        now_s = self._here(i2c_addr)
        if i2c_addr == SCALE:
            return self.scale.read(register, length)
        word, began_s = self._converters.get(i2c_addr, (0x8583, -1.0))
        done = now_s - began_s >= CONVERTER_S
        if register == 1:
            word = word | 0x8000 if done else word & 0x7FFF
            return [word >> 8, word & 0xFF]
        volts = self._volts(word >> 12 & 7) / FULL_SCALE_V[word >> 9 & 7]
        counts = max(-0x8000, min(0x7FFF, round(volts * 32768.0))) & 0xFFFF
        return [counts >> 8, counts & 0xFF]

    def close(self) -> None: ...

    def lose_power(self) -> None:
        """Let the chips forget their settings."""
        self._converters.clear()
        self.scale.lose_power()

    def _here(self, address: int) -> float:
        if not self._world.powered:
            self.lose_power()
        if self.gone:
            raise OSError(errno.ENODEV, "No such device")
        if self.silent or not self._world.powered or (address != SCALE and address not in CONVERTER):
            raise OSError(errno.EREMOTEIO, "Remote I/O error")
        now_s = self._clock.monotonic()
        self._world.advance(now_s)
        return now_s

    def _volts(self, mux: int) -> float:
        """Return what stands at an input, V."""
        world = self._world
        if mux == 5:
            return 1.024 + 1e-3 * world.ph_signal_mv()
        if mux == 6:
            return 0.020 * world.conductivity()
        if mux == 7:
            return 0.010 * world.temperature_reading()
        if mux != 4:
            return 0.0
        current_ma = HELD_MA if world.stirrer_stopped else RUNNING_MA
        noise = 1.0 + world.random.normal(0.0, 0.03)
        return world.stirrer_power * current_ma * noise * 1e-3

    def _counts(self) -> int:
        grams = self._world.balance.read(self._world.vessel.mass_g, self._world.stirrer)
        return round(grams / self._world.balance.g_per_count)
