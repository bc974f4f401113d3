"""What hangs on this computer: serial ports and what answers there, I2C addresses, 1-wire sensors, the GPIO chip.

Only asked for by hand, with the service stopped: a question on the wrong line may mean something else to what hangs
there. Serial boards are asked for a line of text, I2C addresses for a byte; nothing is written to them beyond that.
"""

import termios
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import serial

from saltern.ports import install_extra

CONVERTER = ("a 16-bit converter (ADS1115 or its kind)", 'driver = "i2c-adc"\naddress = {address}')
KNOWN_I2C = {
    **dict.fromkeys(range(0x48, 0x4C), CONVERTER),
    0x2A: ("a load cell's converter (NAU7802 or its kind)", 'driver = "i2c-scale"\ng_per_count = 0.0001'),
}
RESERVED_BELOW, RESERVED_FROM = 0x08, 0x78
QUERIES = (("R\r", "\r"), ("R\n", "\n"), ("", "\n"))
LISTEN_S = 1.6


@dataclass(frozen=True)
class Found:
    """Something that is there, what it seems to be, and lines for the bench file where they are known."""

    where: str
    what: str
    config: str = ""


def look(
    by_id: Path = Path("/dev/serial/by-id"), dev: Path = Path("/dev"), w1: Path = Path("/sys/bus/w1/devices")
) -> Iterator[Found]:
    """Yield what is found, as it is found.

    Parameters
    ----------
    by_id, dev, w1
        Where the kernel keeps its names.
    """
    yield from gpio_chips(dev)
    yield from serial_ports(by_id, dev)
    yield from i2c_buses(dev)
    yield from w1_sensors(w1)


def gpio_chips(dev: Path) -> Iterator[Found]:
    chips = sorted(dev.glob("gpiochip*"))
    if not chips:
        yield Found(str(dev), "no GPIO chip: this computer has no header, or its kernel does not show it")
    for chip in chips:
        yield Found(str(chip), "a GPIO chip; the header's is found by its label", 'wires = "gpio"')


def serial_ports(by_id: Path, dev: Path, open_port: Callable[..., Any] = serial.serial_for_url) -> Iterator[Found]:
    stable = sorted(by_id.glob("*")) if by_id.is_dir() else []
    known = {path.resolve() for path in stable}
    for path in stable:
        yield Found(str(path), *_ask_serial(str(path), open_port))
    for path in sorted([*dev.glob("ttyUSB*"), *dev.glob("ttyACM*")]):
        if path.resolve() not in known:
            advice = "a serial port without a stable name: give it one by a udev rule (systemd/60-saltern.rules)"
            yield Found(str(path), advice)
    for path in sorted([*dev.glob("ttyAMA*"), *dev.glob("serial0")]):
        yield Found(str(path), "the header's own UART, if it is switched on and no console uses it")


def _ask_serial(port: str, open_port: Callable[..., Any]) -> tuple[str, str]:
    """Return what a port's board seems to be, and its lines; nothing but a question is written."""
    for baud in (9600, 115_200):
        for query, terminator in QUERIES:
            try:
                with open_port(port, baudrate=baud, timeout=LISTEN_S, write_timeout=0.5, exclusive=True) as opened:
                    opened.reset_input_buffer()
                    if query:
                        opened.write(query.encode())
                    came = opened.read_until(terminator.encode(), size=120)
            except (OSError, ValueError, termios.error) as error:
                return f"cannot be asked ({error}); is the service using it?", ""
            text = came.decode("ascii", errors="replace").strip()
            if text and text.isprintable() and "\ufffd" not in text:
                return _described(text, port, baud, query.strip(), terminator)
    return "a serial port; what hangs there answers no line of text (a Modbus device is not asked)", ""


def _described(text: str, port: str, baud: int, query: str, terminator: str) -> tuple[str, str]:
    ends = {"\r": r"\r", "\n": r"\n"}[terminator]
    lines = [
        'driver = "serial-line"',
        f'port = "{port}"',
        f"baud = {baud}",
        f'query = "{query}"',
        f'terminator = "{ends}"',
        r"pattern = '(?P<value>[-+]?\d+(\.\d+)?)'",
        'unit = "?"  # what this number is, you know',
    ]
    return f"answers {text[:40]!r}", "\n".join(lines)


def i2c_buses(dev: Path, open_bus: Callable[[int], Any] | None = None) -> Iterator[Found]:
    buses = sorted(dev.glob("i2c-[0-9]*"))
    for path in buses:
        number = int(path.name.removeprefix("i2c-"))
        try:
            if open_bus is None:
                from smbus2 import SMBus

                open_bus = SMBus
            bus = open_bus(number)
        except ImportError:
            yield Found(str(path), f"cannot be asked: smbus2 is not installed. {install_extra('i2c')}")
            return
        except OSError as error:
            yield Found(str(path), f"cannot be opened ({error.strerror or error}): the group i2c may")
            continue
        for address in range(RESERVED_BELOW, RESERVED_FROM):
            if _answers(bus, address):
                what, lines = KNOWN_I2C.get(address, ("something that no driver here knows by its address", ""))
                yield Found(f"{path} 0x{address:02x}", what, lines.format(address=f"0x{address:02x}"))
        bus.close()


def _answers(bus: Any, address: int) -> bool:
    try:
        bus.read_byte(address)
    except OSError:
        return False
    return True


def w1_sensors(folder: Path) -> Iterator[Found]:
    for path in sorted(folder.glob("28-*")) if folder.is_dir() else ():
        try:
            celsius = f"{int((path / 'temperature').read_text()) / 1000.0:.1f} degC"
        except (OSError, ValueError):
            celsius = "no reading"
        yield Found(str(path), f"a 1-wire thermometer: {celsius}", f'driver = "w1-temperature"\nsensor = "{path.name}"')
