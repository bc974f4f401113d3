"""One pin each: an output, an output with PWM, an input. Drivers of GPIO devices are built on these.

They are gpiozero's devices, and let none of its errors out, nor those of the library below it.
"""

from collections.abc import Callable

from gpiozero import DigitalInputDevice, DigitalOutputDevice, PWMOutputDevice

from saltern.ports import SalternError, Wires
from saltern_drivers.foreign import Foreign

REMEDY = "Stop the service and look for another program that uses this pin; if there is none, start it again"


def _wire(pin: int) -> Foreign:
    return Foreign(f"GPIO {pin}", REMEDY)


class Output:
    """A line that is low or high; it is low before the constructor returns."""

    def __init__(self, pin: int, wires: Wires) -> None:
        self.pin = pin
        self._wire = _wire(pin)
        with self._wire:
            self._device = DigitalOutputDevice(pin, pin_factory=wires.pins)
            self._pin = self._device.pin

    def set(self, level: bool) -> None:
        try:
            self._pin.state = level
        except SalternError:
            raise
        except Exception as error:
            raise self._wire.ours(error) from error

    def close(self) -> None:
        with self._wire:
            self._device.close()


class PwmOutput:
    """A line that is high for a share of the time; it is low before the constructor returns."""

    def __init__(self, pin: int, frequency_hz: int, wires: Wires) -> None:
        self.pin = pin
        self._wire = _wire(pin)
        with self._wire:
            self._device = PWMOutputDevice(pin, frequency=frequency_hz, pin_factory=wires.pins)

    def set(self, share: float) -> None:
        with self._wire:
            self._device.value = share

    def close(self) -> None:
        with self._wire:
            self._device.off()
            self._device.close()


class Input:
    """A line with its pull-up on."""

    def __init__(self, pin: int, wires: Wires) -> None:
        self.pin = pin
        self._wire = _wire(pin)
        with self._wire:
            self._device = DigitalInputDevice(pin, pull_up=True, pin_factory=wires.pins)
            self._pin = self._device.pin

    @property
    def closed(self) -> bool:
        return bool(self._device.closed)

    def level(self) -> bool:
        try:
            return bool(self._pin.state)
        except SalternError:
            raise
        except Exception as error:
            raise self._wire.ours(error) from error

    def watch(self, on_edge: Callable[[float, int], None], *, edges: str = "both") -> None:
        """Call a bound method at each edge, from the library's thread; what it raises would end that thread.

        The device's own `when_activated` is not used: it swallows the first edge after opening, having seen no state
        before.
        """
        with self._wire:
            self._pin.edges = edges
            self._pin.when_changed = on_edge

    def close(self) -> None:
        with self._wire:
            self._device.close()
