"""A device that is not there keeps no service from starting: it is told of by name, awaited, and counted back."""

import errno
import termios
from dataclasses import replace

import pytest
from serial import SerialException

from saltern.bench.devices import open_devices
from saltern.cli.logs import quiet_logs
from saltern.cli.simulation import Stage, bench_of
from saltern.clock import VirtualClock
from saltern.config.loading import bench_from, load_bench, shipped_config
from saltern.errors import SalternError, StartupError
from saltern.model.determination import Source
from saltern.ports import DeviceUnavailableError
from saltern.procedures.determination import Expectation, determine
from saltern.records.opening import open_store
from saltern.records.store import IN_MEMORY
from saltern.running.remote import Remote
from saltern.running.service import open_service
from saltern_drivers.gpio_lines import open_serial
from saltern_drivers.twin.scenario import Play, Scenario
from tests.test_example_benches import PumpBoardBench
from tests.twin_bench import TwinBench, bench_table


class Starting:
    """A service that is started while some of the twin's boards are away."""

    def __init__(self, *away):
        quiet_logs()
        self.clock = VirtualClock()
        self.config = load_bench(shipped_config("bench-simulated.toml"))
        self.play = Play(Scenario.model_validate({"seed": 7, "days": 2.0}), self.config.model_dump(), self.clock)
        for role in away:
            self.play.boards.cables[role].absent = True
        self.store = open_store(IN_MEMORY, self.clock)
        self.service = open_service(self.config, self.play.wires, self.clock, self.store)

    def let_pass(self, seconds):
        until_s = self.clock.monotonic() + seconds
        looked_s = float("-inf")
        while self.clock.monotonic() < until_s:
            if self.clock.monotonic() - looked_s >= 60.0:
                looked_s = self.clock.monotonic()
                self.service.look()
            self.service.round()

    def come(self, *roles):
        for role in roles:
            self.play.boards.cables[role].absent = False

    def codes(self):
        return [alert.code for alert in self.service.alerting.standing]


@pytest.mark.parametrize("away", [("ph",), ("ph", "conductivity", "temperature")])
def test_it_starts_tells_by_name_waits_and_measures_when_they_come(away):
    here = Starting(*away)
    here.let_pass(600.0)
    names = {f"absent-probes-{role}-board" for role in away}
    told = [alert for alert in here.service.raised if alert.code in names]

    assert here.service.is_alive()
    assert {alert.code for alert in told} == names
    assert len(told) == len(names)
    assert all(alert.at_s <= 60.0 for alert in told)
    assert f"twin://{away[0]}" in told[0].text
    assert "opened again by itself" in told[0].text
    assert not any(code.startswith("interlock-") and code != "interlock-volume-bound" for code in here.codes())
    assert [row.name for row in here.service.bench.guard.acting if row.holds_starts] == ["device-absent"]
    assert here.store.next_id() == 1

    here.come(*away)
    here.let_pass(3600.0)
    assert here.store.determination(2).alkalinity.verdict.value == "accepted"
    assert not names & set(here.codes())


def test_what_is_absent_and_what_has_come_back_is_in_the_status():
    here = Starting("ph")
    remote = Remote(here.service, here.store, list)
    events = []
    here.service.on_event = lambda kind, what: events.append((kind, what))
    here.let_pass(30.0)
    assert ("devices", {"absent": ["probes.ph.board"]}) in events
    devices = {device["place"]: device for device in remote.status()["devices"]}
    assert set(devices) == {f"probes.{role}.board" for role in ("ph", "conductivity", "temperature")}
    assert not devices["probes.ph.board"]["up"]
    assert "could not open port twin://ph" in devices["probes.ph.board"]["trouble"]
    assert devices["probes.temperature.board"]["up"]

    here.come("ph")
    here.let_pass(60.0)
    devices = {device["place"]: device for device in remote.status()["devices"]}
    assert devices["probes.ph.board"]["up"]
    assert devices["probes.ph.board"]["returns"] == 1
    assert devices["probes.temperature.board"]["returns"] == 0
    assert ("devices", {"absent": []}) in events


def test_a_fault_that_was_noticed_while_a_board_was_away_is_cleared_at_rest_when_it_is_back():
    here = Starting()
    here.let_pass(3600.0)
    for cable in here.play.boards.cables.values():
        cable.absent = True
        cable.pull()
    determination = here.service.measure(Source.TANK)
    assert determination.alkalinity.verdict.value == "void"
    acting = {row.name for row in here.service.bench.guard.acting}
    assert {"device-absent", "ph-fault"} <= acting

    here.come("ph", "conductivity", "temperature")
    here.let_pass(200.0)
    assert not here.service.bench.guard.acting


def test_names_that_cannot_be_keep_it_from_starting_all_in_one_tree():
    clock = VirtualClock()
    roles = ("ph", "conductivity", "temperature")
    changes = {f"probes.{role}.board.port": f"/dev/ttyUSB{number}" for number, role in enumerate(roles)}
    config = bench_from(bench_table(changes), where="unstable")
    play = Play(Scenario.model_validate({"seed": 7, "days": 1.0}), config.model_dump(), clock)
    with pytest.raises(StartupError) as caught:
        open_devices(config, replace(play.wires, open_serial=open_serial))
    assert len(caught.value.causes) == len(roles)
    assert all("is a name that changes" in str(cause) for cause in caught.value.causes)


def test_a_vessel_that_a_power_cut_left_is_emptied_as_soon_as_boards_that_are_slower_than_the_service_are_there(
    tmp_path,
):
    quiet_logs()
    cut = {"kind": "power-cut", "at_phase": "titrate", "determination": 1, "after_s": 60.0}
    scenario = Scenario.model_validate({"seed": 9, "days": 1.0, "fault": [cut], "schedule": {"every_h": 6}})
    stage = Stage(scenario, bench_of(scenario, tmp_path), str(tmp_path / "saltern.sqlite"))
    while stage.computer.deaths == 0:
        stage.computer.run(stage.clock.monotonic() + 600.0)
        if stage.computer.service is None:
            break
    cables = stage.play.boards.cables.values()
    service = stage.computer.service
    assert service is not None
    assert service.bench.found_unclean
    for cable in cables:
        cable.absent = True
        cable.pull()
    service.bench.look_at_ports()
    stage.computer.run(stage.clock.monotonic() + 300.0)
    assert service.bench.must_prove
    assert "not-recovered" not in {alert.code for alert in service.raised}

    for cable in cables:
        cable.absent = False
    stage.computer.run(stage.clock.monotonic() + 900.0)
    assert not service.bench.must_prove
    assert "not-recovered" not in {alert.code for alert in service.raised}
    stage.close()


class Pulled:
    """A port that can be pulled out: then it raises what pyserial raises."""

    def __init__(self, port):
        self.port, self.gone = port, False

    def write(self, data):
        if self.gone:
            raise SerialException("write failed: [Errno 5] Input/output error")
        return self.port.write(data)

    @property
    def in_waiting(self):
        if self.gone:
            raise OSError(errno.EIO, "Input/output error")
        return self.port.in_waiting

    def read(self, size=1):
        return self.port.read(size)

    def reset_input_buffer(self):
        if self.gone:
            raise termios.error(errno.EIO, "Input/output error")
        self.port.reset_input_buffer()

    def close(self):
        pass


class PumpsOnALine(PumpBoardBench):
    """Pump boards on a line that can be pulled out and plugged in."""

    def __init__(self, seed):
        super().__init__(seed)
        line = self.devices.pumps["sample"]._line
        self.cable = Pulled(line._port._port.ready())
        line._port._port._handle = self.cable
        line._port._port._open = self._plugged

    def _plugged(self):
        if self.cable.gone:
            raise SerialException(2, "could not open port")
        return self.cable


@pytest.mark.parametrize("phase", ["fill", "titrate", "rinse"])
def test_a_pump_whose_line_is_lost_ends_the_run_and_the_next_one_succeeds(phase):
    twin = PumpsOnALine(seed=5)

    def pull(step):
        twin.steps.append(step)
        if step.phase.startswith(phase) and not twin.cable.gone:
            twin.clock.call_later(3.0, lambda: setattr(twin.cable, "gone", True))

    d = determine(twin.bench, Source.TANK, Expectation(), pull)
    assert [reason.value for reason in d.alkalinity.reasons] == ["motion-fault"]
    assert twin.bench.noticed.device_absent
    with pytest.raises(SalternError):
        twin.bench.collect("sample", 5.0)
    twin.bench.make_safe()  # says what it can, and raises nothing
    twin.bench.wait(1.0)  # the permits lapse, whatever the boards have not heard
    stands_ml = twin.world.volume_ml()
    twin.bench.wait(10.0)
    assert twin.world.volume_ml() == stands_ml

    twin.cable.gone = False
    twin.bench.idle(60.0)
    assert not twin.bench.noticed.device_absent
    assert not any(head.moving() for head in twin.world.pumps.values())  # the stop that waited has been said
    assert twin.determine().alkalinity.verdict.value == "accepted"
    assert twin.play.bound_held


def test_a_board_that_is_lost_for_a_second_while_it_is_read_costs_nothing():
    twin = TwinBench()
    cable = twin.play.boards.cables["ph"]

    def disturb(step):
        if step.phase == "titrate" and step.titrant_ml is None:
            cable.pull()

    d = determine(twin.bench, Source.TANK, Expectation(), disturb)
    assert d.alkalinity.verdict.value == "accepted"
    assert twin.bench.connections["probes.ph.board"].returns == 1


def drained_without_the_cell(away_at_s, away_s, *, wet_ml=110.0):
    """Drain a full vessel whose cell's board is away for a while in the middle; return twin, outcome and seconds."""
    twin = TwinBench()
    bench, cable = twin.bench, twin.play.boards.cables["conductivity"]
    bench.drain()
    bench.accept_empty("it is")
    with bench.stage("fill", sample_ml=wet_ml):
        bench.add("sample", wet_ml)

    def leave():
        cable.absent = True
        cable.pull()
        twin.clock.call_later(away_s, lambda: setattr(cable, "absent", False))

    twin.clock.call_later(away_at_s, leave)
    began_s = twin.clock.monotonic()
    return twin, bench.drain(), twin.clock.monotonic() - began_s


@pytest.mark.parametrize("away_at_s", [1.0, 20.0, 40.0])
def test_a_drain_rests_until_the_cells_board_is_back_and_is_proved(away_at_s):
    twin, drained, took_s = drained_without_the_cell(away_at_s, 72.0)

    assert drained.proved
    assert twin.world.volume_ml() < 2.5
    assert took_s > 72.0
    assert twin.play.bound_held


def test_a_drain_that_waits_in_vain_for_its_board_goes_on_unseen_and_is_not_called_proved():
    with pytest.raises(SalternError, match="conductivity probe"):
        drained_without_the_cell(20.0, 7200.0)


def test_an_overfull_vessel_is_drained_whether_its_cell_is_seen_or_not():
    twin = TwinBench()
    bench = twin.bench
    bench.drain()
    bench.accept_empty("it is")
    with bench.stage("fill", sample_ml=110.0):
        bench.add("sample", 110.0)
    twin.happens("overfill_broken")
    bench.wait(1.0)
    assert bench.guard.tripped
    cable = twin.play.boards.cables["conductivity"]

    def leave():
        cable.absent = True
        cable.pull()

    twin.clock.call_later(10.0, leave)
    began_s = twin.clock.monotonic()
    with pytest.raises(SalternError):
        bench.drain()
    assert twin.world.volume_ml() < 2.5
    assert twin.clock.monotonic() - began_s < 200.0


@pytest.mark.parametrize("name", ["bench-simulated.toml", "bench-header.toml", "bench-node.toml", "bench-of-many.toml"])
def test_every_example_bench_starts_with_all_its_ports_absent_and_ends_in_order(name):
    quiet_logs()

    def no_port(port, **_):
        raise SerialException(2, f"could not open port {port}: [Errno 2] No such file or directory")

    def no_bus(bus):
        raise DeviceUnavailableError("cannot be opened", where=f"/dev/i2c-{bus}", remedy="Switch I2C on")

    clock, config = VirtualClock(), load_bench(shipped_config(name))
    play = Play(Scenario.model_validate({"seed": 7, "days": 1.0}), config.model_dump(), clock)
    wires = replace(play.wires, open_serial=no_port, open_i2c=no_bus)
    service = open_service(config, wires, clock, open_store(IN_MEMORY, clock))
    for _ in range(60):
        service.look()
        service.round()
    service.bench.make_safe()
    absent = {place for place, connection in service.bench.connections.items() if not connection.up}
    ports = {connection.where for connection in service.bench.connections.values()}

    assert absent == set(service.bench.connections)
    assert absent
    told = [alert for alert in service.raised if alert.code.startswith("absent-")]
    assert len(told) == len(ports)  # devices on one line are told of together
    assert all(place in " ".join(alert.text for alert in told) for place in absent)
    assert service.store.next_id() == 1
    with pytest.raises(SalternError):
        service.operator(["empty"])
    service.bench.close()
