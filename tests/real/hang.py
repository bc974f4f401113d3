"""Run by a test in a process on a header: the library's pulse thread is hung in the way that it hangs, and found out.

Bare trains that end beside a living PWM hang it (lgPthTx.c of lgpio 0.2.2.0). Prints after how many, and what the
production drivers then say.
"""

import json
import time

import lgpio

from saltern.clock import RealClock
from saltern.ports import DeviceSilentError
from saltern_drivers import gpio_lines, gpio_stepper_pump, gpio_stirrer

BARE = 6
MOST_TRAINS = 600


def hangs(handle):
    """Send a bare train, and return whether it does not end."""
    lgpio.tx_pulse(handle, BARE, 20, 80, 0, 200)
    began_s = time.monotonic()
    while lgpio.tx_busy(handle, BARE, lgpio.TX_PWM):
        if time.monotonic() - began_s > 5.0:
            return True
        time.sleep(0.002)
    time.sleep(0.03)
    return False


def main():
    wires = gpio_lines.open_wires({}, RealClock())
    handle = wires.pins._handle
    pump = gpio_stepper_pump.open_pump(
        gpio_stepper_pump.Config(step_pin=17, direction_pin=27, enable_pin=22, steps_per_s=2000), wires
    )
    stirrer = gpio_stirrer.open_stirrer(gpio_stirrer.Config(pin=18), wires)
    stirrer.set_speed(0.5)
    lgpio.gpio_claim_output(handle, BARE, 0)
    trains = next((n for n in range(1, MOST_TRAINS + 1) if hangs(handle)), None)
    said = ""
    if trains is not None:
        pump.start(200)
        try:
            while pump.progress().running:
                time.sleep(0.1)
        except DeviceSilentError as error:
            said = error.what
        pump.halt()
        stirrer.set_speed(0.0)
    print(json.dumps({"trains": trains, "said": said, "alive": wires.alive()}))


if __name__ == "__main__":
    main()
