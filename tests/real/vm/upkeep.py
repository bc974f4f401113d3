"""What a keeper's computer goes through: an upgrade under a running service, a full disk, a second bench beside it."""

from collections.abc import Iterator

from tests.real.vm.benches import BY_ID, Table, outputs, serial_bench
from tests.real.vm.lab import Lab, Still
from tests.real.vm.outcome import Case, judged
from tests.toml import to_toml

INSTALLED_WITHIN_S, ENDS_WITHIN_S = 1500.0, 1800.0
NEW_VERSION = "9.9.9"
SECOND = "second"


def upgrade(lab: Lab, still: Still, name: str) -> Iterator[Case]:
    """Install a newer version over a running service, as the README says; afterwards the new one answers."""
    lab.resume(still)
    before = lab.state()
    change = f"sed -i 's/^version = .*/version = \"{NEW_VERSION}\"/' /usr/src/saltern/pyproject.toml"
    lab.machine.must(change)
    from_s = lab.pins.at_s
    done = lab.machine.run("make -C /usr/src/saltern install", INSTALLED_WITHIN_S)
    took_s = lab.pins.at_s - from_s
    wrong = [] if done.code == 0 else [f"make install: exit {done.code}: {done.said[-600:]}"]
    version = lab.machine.run(
        "/opt/saltern/bin/python -c 'from importlib.metadata import version; print(version(\"saltern\"))'"
    ).said.strip()
    wrong += [] if version == NEW_VERSION else [f"the version is {version!r}"]
    after = lab.state()
    restarted = after["MainPID"] != before["MainPID"]
    if after["SubState"] != "running":
        wrong.append(f"the service does not run: {after}")
    if not restarted and "restart" not in done.said.lower():
        wrong.append("the old version runs on, and nothing says so")
    answer = lab.saltern("status --json")
    wrong += [] if answer.code == 0 else [f"status: {answer.said[-300:]}"]
    wrong += lab.violations(lab.records())
    yield judged("upgrade", f"make install {name}", wrong, took_s=took_s, restarted=str(restarted))


def full_disk(lab: Lab, still: Still) -> Iterator[Case]:
    """Fill the records' disk at rest; ask for a determination; make room; ask again."""
    lab.resume(still)
    before = lab.state()
    for file, block in (("fill", "64k"), ("rest", "512")):
        lab.machine.run(f"dd if=/dev/zero of=/var/lib/saltern/{file} bs={block}; sync")
    free = lab.machine.run("df --output=avail -B1 /var/lib/saltern | tail -1").said.strip()
    heard = len(lab.witness.heard)
    steps = dict(lab.water.steps)
    refused = lab.saltern("measure --wait --json", ENDS_WITHIN_S)
    moved = {name: lab.water.steps[name] - was for name, was in steps.items()}
    codes = [one.params.get("code") for one in lab.witness.heard[heard:] if one.method == "alert"]
    wrong = [] if refused.code != 0 else ["a determination on a full disk was reported as done"]
    wrong += [] if any("storage" in str(code) for code in codes) else [f"nothing was told of the storage: {codes}"]
    wrong += [f"{moved} steps were moved with no ledger committed"] if any(moved.values()) else []
    after = lab.state()
    if after["MainPID"] != before["MainPID"]:
        wrong.append(f"the service ended: {after} {lab.journal(20)[-900:]}")
    low_s = lab.pins.seconds_until_low(lab.pins.at_s, 30.0)
    wrong += [] if low_s is not None else [f"an output is driven: {lab.pins.driven()} {lab.journal(20)[-1500:]}"]
    yield judged("full disk", "a determination is asked for", wrong, free_bytes=free, exit_code=refused.code)
    lab.machine.must("rm /var/lib/saltern/fill /var/lib/saltern/rest; sync")
    rinsed = lab.saltern("rinse /etc/saltern/bench.toml", 900.0)  # the drain that was allowed has left the cell dry
    wrong = [] if rinsed.code == 0 else [f"saltern rinse: {rinsed.said[-400:]}"]
    yield judged("full disk", "with room again it fills, and proves it empty", [*wrong, *lab.violations(lab.records())])


def second_bench() -> Table:
    """Return a bench of timed pumps on the lines that the first leaves free."""
    table = serial_bench()
    table["name"] = "second-room"
    free = iter((9, 10, 14, 15, 16, 20, 21, 2, 3, 8, 26))
    for pump in table["pumps"].values():
        pump["drive"] = {"driver": "gpio-timed-pump", "pin": next(free)}
        pump["ml_per_unit"] = 1.0
        pump["permit"]["pin"] = next(free)
    table["pumps"]["titrant"]["ml_per_unit"] = 0.1
    table["stirrer"]["drive"]["pin"] = next(free)
    floats = ("overfill", "leak", "stop", "waste_full")
    table["switches"] = {role: {"driver": "gpio-switch", "pin": next(free)} for role in floats}
    for probe in ("ph", "conductivity", "temperature"):
        table["probes"][probe]["board"]["port"] = BY_ID.format(f"second-{probe}")
    table.pop("records", None)  # from its instance
    table.pop("service", None)
    return table


def two_benches(lab: Lab, still: Still) -> Iterator[Case]:
    """Run a second bench beside the first by the template unit; stop it, kill it: the first does not notice."""
    lab.resume(still)
    if lab.machine.run("systemctl cat saltern@.service >/dev/null").code != 0:
        yield Case("two benches", "template unit", None, {}, "this tree has no unit saltern@.service")
        return
    unit = f"saltern@{SECOND}"
    lab.pins.watch([*lab.lines, *outputs(second_bench())])
    lab.machine.put(f"/etc/saltern/{SECOND}.toml", to_toml(second_bench()).encode(), "640")
    lab.machine.must(f"chown root:saltern /etc/saltern/{SECOND}.toml")
    first = lab.state()
    started = lab.machine.run(f"systemctl start {unit}", 300.0)
    wrong = [] if started.code == 0 else [f"{started.said} {lab.journal(20, unit)[-900:]}"]
    yield judged("two benches", "the second starts beside the first", wrong, **lab.state(unit))
    if wrong:
        return
    for how, command in (("stopped", f"systemctl stop {unit}"), ("killed", f"systemctl kill -s KILL {unit}")):
        if how == "killed":
            lab.machine.must(f"systemctl start {unit}", 300.0)
        from_s = lab.pins.at_s
        lab.machine.run(command, 300.0)
        lab.wait(60.0 - (lab.pins.at_s - from_s))  # its safe-off has long run
        after = lab.state()
        wrong = (
            []
            if after["MainPID"] == first["MainPID"]
            else [f"the first died of it: {first} {after} {lab.journal(20)[-600:]}"]
        )
        answer = lab.saltern("status --json")
        wrong += [] if answer.code == 0 else [f"the first does not answer: {answer.said[-300:]}"]
        yield judged("two benches", f"the second is {how}", wrong, **lab.state(unit))
    lab.machine.run(f"systemctl stop {unit}; systemctl stop saltern", 300.0)
    low_s = lab.pins.seconds_until_low(lab.pins.at_s, 30.0)
    yield judged("two benches", "both stopped, outputs low", [] if low_s is not None else ["an output is driven"])
