"""Run by a test in a process on a header: every GPIO driver, while the library below it fails. Prints JSON.

First a whole use of all drivers is recorded: which functions of lgpio are called at all. Then each of them is made to
raise each error, while all is opened and from then on, and what comes out of the drivers' methods is reported.

python -m tests.real.foreign PART PARTS: the library takes a tenth of a second to close a chip; several share the work.
"""

import errno
import json
import struct
import sys
import termios
import time
from contextlib import suppress

import gpiozero
import lgpio

from saltern.clock import RealClock
from saltern.ports import DriverError
from saltern_drivers import (
    gpio_lines,
    gpio_run_permit,
    gpio_selector,
    gpio_stepper_pump,
    gpio_stirrer,
    gpio_switch,
    gpio_tachometer,
    gpio_timed_pump,
)

ERRORS = {
    "lgpio.error": lgpio.error("bad handle"),
    "GPIOZeroError": gpiozero.GPIOZeroError("a pin"),
    "PinInvalidState": gpiozero.PinInvalidState("a state"),
    "OSError EIO": OSError(errno.EIO, "Input/output error"),
    "OSError ENODEV": OSError(errno.ENODEV, "No such device"),
    "OSError EAGAIN": OSError(errno.EAGAIN, "Resource temporarily unavailable"),
    "termios.error": termios.error(5, "Input/output error"),
    "struct.error": struct.error("unpack requires a buffer of 4 bytes"),
}
AT_IMPORT = {"callback", "notify_open"}
STEPPER = {"step_pin": 17, "direction_pin": 27, "enable_pin": 22, "steps_per_s": 2000, "start_steps_per_s": 2000}


class Library:
    """lgpio with a tap: counts calls of each function, and lets one of them fail."""

    def __init__(self):
        self.called, self.failing, self.error = set(), None, None
        for name in dir(lgpio):
            function = getattr(lgpio, name)
            if callable(function) and not name.startswith("_") and not isinstance(function, type):
                setattr(lgpio, name, self._tapped(name, function))

    def _tapped(self, name, function):
        def tapped(*words, **more):
            self.called.add(name)
            if name == self.failing:
                raise self.error
            return function(*words, **more)

        return tapped


def open_all(wires):
    return {
        "stepper": gpio_stepper_pump.open_pump(gpio_stepper_pump.Config(**STEPPER, settle_s=0, hold_s=0), wires),
        "timed": gpio_timed_pump.open_pump(gpio_timed_pump.Config(pin=12, soft_start_s=0.01), wires),
        "permit": gpio_run_permit.open_permit(gpio_run_permit.Config(pin=11), wires),
        "stirrer": gpio_stirrer.open_stirrer(gpio_stirrer.Config(pin=18), wires),
        "selector": gpio_selector.open_valve(gpio_selector.Config(pin=10), wires),
        "switch": gpio_switch.open_switch(gpio_switch.Config(pin=16, debounce_s=0.0), wires),
        "tachometer": gpio_tachometer.open_tachometer(gpio_tachometer.Config(pin=5, window_s=0.1), wires),
    }


def uses(devices):
    """Return every method of every driver, by a name, in an order in which they make sense."""
    d = devices
    return {
        "stepper.start": lambda: d["stepper"].start(20),
        "stepper.progress": d["stepper"].progress,
        "timed.start": lambda: d["timed"].start(0.03),
        "timed.progress": d["timed"].progress,
        "permit.kick": d["permit"].kick,
        "stirrer.set_speed": lambda: d["stirrer"].set_speed(0.5),
        "selector.select": lambda: d["selector"].select(True),
        "switch.is_active": d["switch"].is_active,
        "tachometer.request": d["tachometer"].request,
        "tachometer.poll": d["tachometer"].poll,
        "stepper.halt": d["stepper"].halt,
        "timed.halt": d["timed"].halt,
        "permit.drop": d["permit"].drop,
        **{f"{name}.close": device.close for name, device in d.items()},
    }


def whole_use(foreign):
    """Open, use and close all; append to `foreign` what is not an error of ours."""
    wires = gpio_lines.open_wires({}, RealClock())
    devices = open_all(wires)
    yield
    for name, use in uses(devices).items():
        try:
            use()
        except DriverError:
            pass
        except Exception as error:
            foreign.append(f"{name}: {type(error).__name__}: {error}")
    yield
    try:
        wires.close()
    except DriverError:
        pass
    except Exception as error:
        foreign.append(f"wires.close: {type(error).__name__}: {error}")


def main(part, parts):
    library, foreign = Library(), []
    for _ in whole_use(foreign):
        pass
    time.sleep(0.05)
    used = sorted(library.called - AT_IMPORT)
    mine = used[part::parts]
    assert not foreign, foreign
    tried = 0
    for function in mine:
        for name, error in ERRORS.items():
            found = []
            run = whole_use(found)
            with suppress(DriverError):  # opening fails where the function is one of opening
                next(run)
                library.failing, library.error = function, error
                next(run)
            library.failing = None
            with suppress(StopIteration):
                next(run)
            library.failing, library.error = function, error
            try:
                gpio_lines.force_low([17])
            except DriverError:
                pass
            except Exception as trouble:
                found.append(f"force_low: {type(trouble).__name__}: {trouble}")
            library.failing = None
            tried += 1
            foreign += [f"{function} raises {name}: {each}" for each in found]
    for name, error in ERRORS.items():  # and while all is being opened
        for function in mine:
            library.failing, library.error = function, error
            try:
                open_all(gpio_lines.open_wires({}, RealClock()))
            except DriverError:
                pass
            except Exception as trouble:
                foreign.append(f"{function} raises {name} while opening: {type(trouble).__name__}: {trouble}")
            library.failing = None
            tried += 1
    print(json.dumps({"used": used, "tried": tried, "foreign": foreign}))


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
