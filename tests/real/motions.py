"""Run by tests in a process on a header: production drivers over the real libraries. Prints what they claim, as JSON.

python -m tests.real.motions COUNT STEPS HALT OPTIONS: so many motions of a stepper pump, the stirrer turning all the
time, each halted somewhat later than the one before within HALT seconds ("-": none is). After each a line says what the
pump vouches for, and a line is waited for: the outside counts for itself meanwhile.
"""

import json
import sys
import time

from saltern.clock import RealClock
from saltern_drivers import gpio_stepper_pump, gpio_stirrer
from saltern_drivers.gpio_lines import open_wires

STEP, DIRECTION, ENABLE, STIRRER = 17, 27, 22, 18


def main(count: int, steps: int, halt_after_s: float | None, options: dict[str, float]) -> None:
    wires = open_wires({}, RealClock())
    pump = gpio_stepper_pump.open_pump(
        gpio_stepper_pump.Config(
            step_pin=STEP, direction_pin=DIRECTION, enable_pin=ENABLE, **{"steps_per_s": 2000, **options}
        ),
        wires,
    )
    stirrer = gpio_stirrer.open_stirrer(gpio_stirrer.Config(pin=STIRRER), wires)
    pump.halt()  # making safe comes first
    stirrer.set_speed(0.5)
    for number in range(count):
        pump.start(steps)
        began_s = time.monotonic()
        while (progress := pump.progress()).running:
            if halt_after_s is not None and time.monotonic() - began_s > halt_after_s * (number + 1) / count:
                pump.halt()
                progress = pump.progress()
                break
            time.sleep(0.005 if halt_after_s else 0.02)
        pump.halt()  # as the bench does after each
        if not wires.alive():
            sys.exit("the pulse thread does not answer")
        print(json.dumps([progress.at_least, progress.at_most, progress.doubt, time.monotonic()]), flush=True)
        sys.stdin.readline()
    stirrer.set_speed(0.0)
    pump.close()
    stirrer.close()
    wires.close()


if __name__ == "__main__":
    main(
        int(sys.argv[1]),
        int(sys.argv[2]),
        float(sys.argv[3]) if sys.argv[3:4] and sys.argv[3] != "-" else None,
        json.loads(sys.argv[4]) if sys.argv[4:] else {},
    )
