"""Real GPIO and serial wires. The one module that knows the libraries' private corners.

- lgpio makes a named pipe in `LG_WD` on import, and fails where that is not writable.
- gpiozero's lgpio factory holds the chip handle that pulse trains need, and picks the chip by number; the number of
  the header's chip differs between models, its label does not.
- A PWM level is written by the library's pulse thread, up to one period later; an output that must be off is written
  low at once as well.
- `lgpio.error` is a plain Exception.

Pulse trains: `pulse_trains`.
"""

import os
import tempfile
import termios
from collections.abc import Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import serial

from saltern.ports import (
    Clock,
    DeviceUnavailableError,
    DriverError,
    I2cBus,
    LinesBusyError,
    SerialPort,
    Wires,
    install_extra,
)
from saltern_drivers.foreign import Foreign
from saltern_drivers.pulse_trains import LgpioPulseTrains, PulseThread, threads
from saltern_drivers.returning import in_a_thread

HEADER_CHIP_LABELS = ("pinctrl-rp1", "pinctrl-bcm2835", "pinctrl-bcm2711")
UNSTABLE_PORTS = ("/dev/ttyUSB", "/dev/ttyACM")
MOST_CHIPS = 16


def open_wires(bench: Mapping[str, Any], clock: Clock) -> Wires:
    """Open the header's GPIO chip and the machine's serial ports.

    Raises
    ------
    DeviceUnavailableError
        lgpio is not installed, or there is no header chip here, or it may not be opened.
    """
    lgpio = _import_lgpio()
    before = threads()
    chip = _header_chip(lgpio)
    thread = PulseThread(threads() - before)
    thread.prefer()
    with Foreign("GPIO", "Check that this is the computer with the 40-pin header, and that gpiozero knows it"):
        factory = _header_factory(lgpio, chip)
    pulses = LgpioPulseTrains(lgpio, factory._handle, clock, thread)
    return Wires(
        clock=clock,
        pins=factory,
        pulses=pulses,
        open_serial=open_serial,
        close=partial(_close, factory),
        open_i2c=open_i2c,
        alive=pulses.alive,
        aside=in_a_thread,
    )


def _close(factory: Any) -> None:
    with Foreign("GPIO", "No action is needed: the kernel releases the lines when the process ends"):
        factory.close()


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
            "the library smbus2 is not installed", where=f"i2c bus {bus}", remedy=install_extra("i2c")
        ) from error
    try:
        opened: I2cBus = smbus2.SMBus(bus)
    except OSError as error:
        raise DeviceUnavailableError(
            f"cannot be opened ({error})",
            where=f"/dev/i2c-{bus}",
            remedy="Enable I2C (raspi-config, or dtparam=i2c_arm=on) and add the user to the i2c group",
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


def _header_factory(lgpio: Any, chip: int) -> Any:
    """Return gpiozero's factory for that chip, with a pin whose output goes low whatever the pulse thread does."""
    from gpiozero.pins.lgpio import LGPIOFactory, LGPIOPin

    class HeaderPin(LGPIOPin):  # type: ignore[misc]
        def _set_state(self, value: float) -> None:
            super()._set_state(value)
            if self._pwm and not value:  # the thread would write it low in its time; a pump has none
                lgpio.gpio_write(self.factory._handle, self._number, 0)

    factory = LGPIOFactory(chip=chip)
    factory.pin_class = HeaderPin
    return factory


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
    chip = _header_chip(lgpio)
    wire = Foreign("GPIO", "Take the bench off its supply; then check that the user is in the group gpio")
    failed: dict[int, Exception] = {}
    with wire:
        handle = lgpio.gpiochip_open(chip)
    try:
        for line in lines:
            try:
                with wire:
                    lgpio.gpio_claim_output(handle, line, 0)
            except DeviceUnavailableError as error:
                failed[line] = error
    finally:
        with wire:
            lgpio.gpiochip_close(handle)
    if any(isinstance(error.__cause__, lgpio.error) for error in failed.values()):
        raise LinesBusyError(
            f"lines {sorted(failed)} are held by another process",
            where="GPIO",
            remedy="Stop it: systemctl kill -s KILL saltern",
        )
    if failed:
        raise next(iter(failed.values()))


def _import_lgpio() -> Any:
    if not os.access(os.environ.get("LG_WD", "."), os.W_OK):
        os.environ["LG_WD"] = os.environ.get("RUNTIME_DIRECTORY") or tempfile.mkdtemp(prefix="saltern-lg-")
    try:
        import lgpio
    except ImportError as error:
        raise DeviceUnavailableError(
            "the library lgpio is not installed",
            where="GPIO",
            remedy=f"apt install python3-lgpio. Then: {install_extra('gpio')}",
        ) from error
    return lgpio


def _header_chip(lgpio: Any) -> int:
    """Return the number of the chip with a header's label; numbers differ between models."""
    refused = None
    for chip in range(MOST_CHIPS):
        device = Path(f"/dev/gpiochip{chip}")
        try:
            handle = lgpio.gpiochip_open(chip)
        except Exception as error:  # noqa: BLE001 - whatever a library makes of a chip that is not there
            if device.exists():
                refused = DeviceUnavailableError(
                    f"cannot be opened ({error})", where=str(device), remedy="Add the user to the group gpio"
                )
            continue
        with Foreign(str(device), "Check the kernel's log: dmesg"):
            label = lgpio.gpio_get_chip_info(handle)[3]
            lgpio.gpiochip_close(handle)
        if label in HEADER_CHIP_LABELS:
            return chip
    if refused is not None:
        raise refused
    raise DeviceUnavailableError(
        "no GPIO chip of a 40-pin header was found",
        where="/dev/gpiochip*",
        remedy='Run on the single-board computer, or set wires = "twin" to run against the simulated bench',
    )
