"""Each example bench under the unit: started, stopped, started, killed; outputs low each time.

What this machine cannot play is absent to the service, as an unplugged board is: a bench that starts without it says so
and goes on asking; what it measures here is nothing.
"""

from collections.abc import Iterator

from tests.real.vm.benches import example, examples, outputs
from tests.real.vm.lab import BENCH_FILE, Lab, Still
from tests.real.vm.outcome import Case, judged
from tests.toml import to_toml

LOW_WITHIN_S, BACK_WITHIN_S = 90.0, 300.0
ABSENT = {
    "bench-header.toml": "its I2C converter: one register that each question turns into another answer, which the "
    "kernel's i2c-stub cannot play",
    "bench-node.toml": "the pump node and the Modbus probes: no microcontroller runs its firmware in here",
}


def example_benches(lab: Lab, booted: Still) -> Iterator[Case]:
    """Try each in a machine that has just booted, with empty records."""
    for name in examples():
        table = example(name)
        lines = outputs(table)
        lab.resume(booted)
        lab.pins.watch(lines or lab.lines)
        lab.machine.must("systemctl start var-lib-saltern.mount")
        for line in (switch["pin"] for switch in table["switches"].values()):
            lab.pins.pull(line, up=False)
        lab.machine.put(BENCH_FILE, to_toml(table).encode(), "640")
        lab.machine.must(f"chown root:saltern {BENCH_FILE}")
        from_s = lab.pins.at_s
        started = lab.machine.run("systemctl start saltern", 300.0)
        ready_s = lab.pins.at_s - from_s
        absent = f"; absent: {ABSENT[name]}" if name in ABSENT else ""
        wrong = [] if started.code == 0 else [f"does not start: {lab.journal(20)[-900:]}"]
        yield judged("examples", f"{name} starts{absent}", wrong, ready_s=ready_s, output_lines=len(lines))
        if wrong:
            continue
        yield _ended(lab, name, "stopped", "systemctl stop saltern")
        lab.machine.must("systemctl start saltern", 300.0)
        heard = len(lab.witness.heard)
        yield _ended(lab, name, "killed", "systemctl kill -s KILL saltern")
        back = lab.answers_again(heard, BACK_WITHIN_S)
        yield judged("examples", f"{name} is back after kill -9", [] if back else [lab.journal(20)[-900:]])


def _ended(lab: Lab, name: str, how: str, command: str) -> Case:
    from_s = lab.pins.at_s
    done = lab.machine.run(command, 300.0)
    low_s = lab.pins.seconds_until_low(from_s, LOW_WITHIN_S)
    wrong = [] if done.code == 0 else [done.said[-300:]]
    wrong += [] if low_s is not None else [f"still driven: levels {lab.pins.levels:x}"]
    return judged("examples", f"{name} {how}, outputs low", wrong, low_after_s="never" if low_s is None else low_s)
