"""The 40-pin header by its physical pins, as gpiozero knows them, with what hangs on each in one bench."""

from typing import Any

from gpiozero.pins.data import PLUS_J8
from hardware.bench_book.bench import Bench, header_lines

_, _, PINS = PLUS_J8
"""Of every board with 40 pins the same, as far as power, ground and GPIO numbers go."""


def name_of(pin: int) -> str:
    """Return "GPIO 17", "5 V", "3.3 V" or "ground"."""
    functions: dict[str, Any] = PINS[pin]
    if "gpio" in functions:
        return f"GPIO {gpio_of(pin)}"
    return {"3V3": "3.3 V", "5V": "5 V", "GND": "ground"}[functions[""]]


def gpio_of(pin: int) -> int | None:
    """Return the GPIO number of a physical pin; None for one of power or ground."""
    name = PINS[pin].get("gpio")
    return None if name is None else int(name.removeprefix("GPIO"))


def pin_of(gpio: int) -> int:
    """Return the physical pin of a GPIO number."""
    return next(pin for pin in PINS if gpio_of(pin) == gpio)


def ground_beside(pin: int) -> int:
    """Return the ground pin that lies nearest, by rows."""
    grounds = [other for other in PINS if name_of(other) == "ground"]
    return min(grounds, key=lambda other: (abs((other - 1) // 2 - (pin - 1) // 2), other))


def rows(bench: Bench) -> list[tuple[str, str, str, str]]:
    """Return the header row by row: left name and use, right use and name."""
    used = header_lines(bench)

    def use(pin: int) -> str:
        gpio = gpio_of(pin)
        return used.get(gpio, "") if gpio is not None else ""

    return [
        (f"{pin} · {name_of(pin)}", use(pin), use(pin + 1), f"{pin + 1} · {name_of(pin + 1)}")
        for pin in range(1, 40, 2)
    ]
