"""Real GPIO and serial wires. The one module that knows the libraries' private corners.

- lgpio makes a named pipe in `LG_WD` on import, and fails where that is not writable.
- gpiozero's lgpio factory holds the chip handle that pulse trains need, and picks the chip by number; the number of
  the header's chip differs between models, its label does not.
- `lgpio.tx_pulse` with zero cycles never ends; it is never called so.
"""

import os
import tempfile
import termios
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import serial

from saltern.ports import (
    Clock,
    DeviceUnavailableError,
    DriverError,
    I2cBus,
    LinesBusyError,
    MisuseError,
    SerialPort,
    Wires,
)
from saltern_drivers.returning import in_a_thread

HEADER_CHIP_LABELS = ("pinctrl-rp1", "pinctrl-bcm2835", "pinctrl-bcm2711")
UNSTABLE_PORTS = ("/dev/ttyUSB", "/dev/ttyACM")


def open_wires(bench: Mapping[str, Any], clock: Clock) -> Wires:
    """Open the header's GPIO chip and the machine's serial ports.

    Raises
    ------
    DeviceUnavailableError
        lgpio is not installed, or there is no header chip here, or it may not be opened.
    """
    lgpio = _import_lgpio()
    chip = _header_chip(lgpio)
    from gpiozero.pins.lgpio import LGPIOFactory

    factory = LGPIOFactory(chip=chip)
    return Wires(
        clock=clock,
        pins=factory,
        pulses=LgpioPulseTrains(lgpio, factory._handle),
        open_serial=open_serial,
        close=factory.close,
        open_i2c=open_i2c,
        aside=in_a_thread,
    )


def open_i2c(bus: int) -> I2cBus:
    """Open an I2C bus of the header.

    Raises
    ------
    DriverError
        smbus2 is not installed.
    DeviceUnavailableError
        The bus is not there, or it may not be opened.
    """
    try:
        import smbus2
    except ImportError as error:
        raise DriverError(
            "the library smbus2 is not installed", where=f"i2c bus {bus}", remedy="Install saltern[i2c]"
        ) from error
    try:
        opened: I2cBus = smbus2.SMBus(bus)
    except OSError as error:
        raise DeviceUnavailableError(
            f"cannot be opened ({error})",
            where=f"/dev/i2c-{bus}",
            remedy="Switch I2C on (raspi-config, or dtparam=i2c_arm=on) and add the user to the group i2c",
        ) from error
    return opened


def open_serial(port: str, **settings: Any) -> SerialPort:
    """Open a serial port by its stable name; `settings` are pyserial's.

    Raises
    ------
    DriverError
        Its name is one that changes with the order of plugging in.
    DeviceUnavailableError
        It cannot be opened.
    """
    if port.startswith(UNSTABLE_PORTS):
        raise DriverError(
            "is a name that changes when boards are plugged in another order, and may be another board tomorrow",
            where=port,
            remedy="Use the board's name in /dev/serial/by-id, or a udev rule of your own",
        )
    try:
        opened: SerialPort = serial.serial_for_url(port, **settings)
    except (OSError, ValueError, termios.error) as error:
        raise DeviceUnavailableError(
            f"cannot be opened ({error})",
            where=port,
            remedy="Check the cable, the name, and that the user is in the group dialout",
        ) from error
    return opened


class LgpioPulseTrains:
    """Pulse trains timed by lgpio's own thread."""

    def __init__(self, lgpio: Any, handle: int) -> None:
        self._lgpio = lgpio
        self._handle = handle

    def queue(self, line: int, pulses: int, on_us: int, off_us: int) -> None:
        if pulses < 1:
            raise MisuseError(
                "a train of no pulses would never end", where=f"gpio {line}", remedy="Ask for at least one"
            )
        self._lgpio.tx_pulse(self._handle, line, on_us, off_us, 0, pulses)

    def room(self, line: int) -> int:
        return int(self._lgpio.tx_room(self._handle, line, self._lgpio.TX_PWM))

    def busy(self, line: int) -> bool:
        return bool(self._lgpio.tx_busy(self._handle, line, self._lgpio.TX_PWM))

    def cancel(self, line: int) -> None:
        # A pulse of zero on- and off-time stops the line's train and empties its queue.
        self._lgpio.tx_pulse(self._handle, line, 0, 0, 0, 0)


def force_low(lines: Sequence[int]) -> None:
    """Take these lines and drive them low; nothing is opened beside the chip, and the lines stay low afterwards.

    Raises
    ------
    LinesBusyError
        Another process holds one. The others are low already.
    DeviceUnavailableError
        There is no chip.
    """
    lgpio = _import_lgpio()
    handle = lgpio.gpiochip_open(_header_chip(lgpio))
    busy = []
    try:
        for line in lines:
            try:
                lgpio.gpio_claim_output(handle, line, 0)
            except lgpio.error:
                busy.append(line)
    finally:
        lgpio.gpiochip_close(handle)
    if busy:
        raise LinesBusyError(
            f"lines {busy} are held by another process", where="GPIO", remedy="Stop it: systemctl kill -s KILL saltern"
        )


def _import_lgpio() -> Any:
    if not os.access(os.environ.get("LG_WD", "."), os.W_OK):
        os.environ["LG_WD"] = os.environ.get("RUNTIME_DIRECTORY") or tempfile.mkdtemp(prefix="saltern-lg-")
    try:
        import lgpio
    except ImportError as error:
        raise DeviceUnavailableError(
            "the library lgpio is not installed",
            where="GPIO",
            remedy="Install saltern[gpio], or the system package python3-lgpio in a venv that sees it",
        ) from error
    return lgpio


def _header_chip(lgpio: Any) -> int:
    for device in sorted(Path("/dev").glob("gpiochip*")):
        chip = int(device.name.removeprefix("gpiochip"))
        try:
            handle = lgpio.gpiochip_open(chip)
        except lgpio.error as error:
            raise DeviceUnavailableError(
                f"cannot be opened ({error})", where=str(device), remedy="Add the user to the group gpio"
            ) from error
        label = lgpio.gpio_get_chip_info(handle)[3]
        lgpio.gpiochip_close(handle)
        if label in HEADER_CHIP_LABELS:
            return chip
    raise DeviceUnavailableError(
        "no GPIO chip of a 40-pin header was found",
        where="/dev/gpiochip*",
        remedy='Run on the single-board computer, or set wires = "twin" to run against the simulated bench',
    )
