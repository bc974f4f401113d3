"""The example benches of three kinds of wiring measure the same water on the twin, each through its own drivers."""

import errno
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2

from saltern.bench.bench import Bench
from saltern.bench.devices import open_devices
from saltern.clock import VirtualClock
from saltern.config.loading import bench_from, shipped_config
from saltern.ports import DriverError
from saltern_drivers.twin.scenario import Play, Scenario
from tests.modbus_boards import ModbusBoards, PumpBoard
from tests.node.boards import Here, NodePort
from tests.node.harness import TICKS_PER_MS, Motor
from tests.twin_bench import MemoryStore, TwinBench, bench_table

SEED = 46


class TwinMotor(Motor):
    """A motor of the node that turns a pump head of the twin."""

    def __init__(self, clock, world, name):
        super().__init__(clock)
        self.world, self.head = world, world.pumps[name]

    def hold(self, backward):
        super().hold(backward)
        self.head.permitted_until_s, self.head.enabled, self.head.reverse = 1e12, True, backward

    def send(self, stages):
        super().send(stages)
        now_s = self.clock.now_ms / 1000.0
        self.world.advance(now_s)
        for pulses, ticks in stages:
            self.head.send(now_s, pulses, ticks / (1000.0 * TICKS_PER_MS))

    def halt(self):
        super().halt()
        self.world.advance(self.clock.now_ms / 1000.0)
        self.head.cancel(self.clock.now_ms / 1000.0)


class NodeBench(TwinBench):
    """A twin whose pumps hang on the node's firmware, and whose probes are Modbus transmitters."""

    def __init__(self, seed):
        self.config = bench_from(bench_table(None, "bench-node.toml"), where="example")
        self.clock = VirtualClock()
        self.play = Play(Scenario.model_validate({"seed": seed, "days": 1.0}), self.config.model_dump(), self.clock)
        self.world = self.play.world
        names = iter(("sample", "waste", "titrant"))
        board = Here(lambda clock: TwinMotor(clock, self.world, next(names)))
        board.board.node.stir = lambda permille: setattr(self.world, "stirrer", permille / 1000.0)
        self.node = NodePort(self.clock, board)
        ports = {"node": self.node, "converter": ModbusBoards(self.clock, self.world)}
        wires = replace(self.play.wires, open_serial=lambda port, **_: ports[port.rsplit("-", 1)[1]])
        self.store, self.steps = MemoryStore(), []
        self.devices = open_devices(self.config, wires)
        self.clock.sleep(0.2)
        self.bench = Bench(self.config, self.devices, self.clock, self.store)
        self.play.ledger_upper_ml = lambda: self.bench.vessel_most_ml


class TwinPumpBoard(PumpBoard):
    """A pump board whose pump is a head of the twin; its supply is the permit's."""

    def __init__(self, clock, rate, world, name, device):
        super().__init__(clock, rate, device=device)
        self.world, self.head = world, world.pumps[name]
        self.head.enabled = True

    def start(self):
        super().start()
        self.world.advance(self.clock.monotonic())
        self.head.reverse = self.backward
        self.head.send(self.clock.monotonic(), self.amount, 1.0 / self.rate)

    def stop(self):
        super().stop()
        self.world.advance(self.clock.monotonic())
        self.head.cancel(self.clock.monotonic())


class SharedLine:
    """A serial port with several boards at its other end."""

    def __init__(self, boards):
        self.boards = boards

    def write(self, data):
        for board in self.boards:
            board.write(data)
        return len(data)

    @property
    def in_waiting(self):
        return sum(board.in_waiting for board in self.boards)

    def read(self, size=1):
        return b"".join(board.read(size) for board in self.boards)

    def reset_input_buffer(self):
        for board in self.boards:
            board.reset_input_buffer()

    def close(self):
        pass


class PumpBoardBench(TwinBench):
    """A twin whose counted pumps hang on boards of one Modbus line, by a register map, their supplies on permits."""

    def __init__(self, seed):
        table, numbers = bench_table(), {"sample": 4, "titrant": 5}
        for name, number in numbers.items():
            rate = table["pumps"][name]["drive"]["steps_per_s"]
            table["pumps"][name]["drive"] = {
                "driver": "modbus-pump",
                "port": "/dev/serial/by-id/usb-your-converter",
                "device": number,
                "steps_per_s": rate,
                "amount": {"address": 16, "type": "uint32"},
                "start": {"address": 18, "value": 1},
                "stop": {"address": 18, "value": 0},
                "running": {"address": 2, "kind": "input", "mask": 1},
                "done": {"address": 4, "kind": "input", "type": "uint32", "counts": "ever"},
                "direction": {"address": 31, "forward": 1, "reverse": 2},
            }
        self.config = bench_from(table, where="pump boards")
        self.clock = VirtualClock()
        self.play = Play(Scenario.model_validate({"seed": seed, "days": 1.0}), self.config.model_dump(), self.clock)
        self.world = self.play.world
        self.boards = {
            name: TwinPumpBoard(self.clock, table["pumps"][name]["drive"]["steps_per_s"], self.world, name, number)
            for name, number in numbers.items()
        }
        line, others = SharedLine(list(self.boards.values())), self.play.wires.open_serial
        wires = replace(
            self.play.wires,
            open_serial=lambda port, **kw: line if port.endswith("converter") else others(port, **kw),
        )
        self.store, self.steps = MemoryStore(), []
        self.devices = open_devices(self.config, wires)
        self.clock.sleep(0.2)
        self.bench = Bench(self.config, self.devices, self.clock, self.store)
        self.play.ledger_upper_ml = lambda: self.bench.vessel_most_ml


class ByItself:
    """A board of the twin that sends a line a second, whether anybody listens or not."""

    def __init__(self, clock, board, query):
        self.clock, self.board, self.query = clock, board, query
        self.read, self.reset_input_buffer, self.close = board.read, board.reset_input_buffer, board.close
        self._tell()

    def _tell(self):
        self.board.write(self.query)
        self.clock.call_later(1.0, self._tell)

    @property
    def in_waiting(self):
        return self.board.in_waiting


class TalkingBench(TwinBench):
    """A twin whose three boards send by themselves; it has stood for an hour, and their lines wait."""

    def __init__(self, seed):
        table = bench_table()
        for probe in table["probes"].values():
            probe["board"] = {**probe["board"], "query": "", "timeout_s": 2.5}
        self.config = bench_from(table, where="boards that send by themselves")
        self.clock = VirtualClock()
        self.play = Play(Scenario.model_validate({"seed": seed, "days": 1.0}), self.config.model_dump(), self.clock)
        self.world = self.play.world
        opened = self.play.wires.open_serial
        wires = replace(
            self.play.wires, open_serial=lambda port, **kw: ByItself(self.clock, opened(port, **kw), b"R\r")
        )
        self.store, self.steps = MemoryStore(), []
        self.devices = open_devices(self.config, wires)
        self.clock.sleep(3600.0)
        self.bench = Bench(self.config, self.devices, self.clock, self.store)
        self.play.ledger_upper_ml = lambda: self.bench.vessel_most_ml


BENCHES = {
    "boards that send by themselves": TalkingBench,
    "serial boards and steppers": lambda seed: TwinBench(seed=seed),
    "the header alone": lambda seed: TwinBench(bench="bench-header.toml", seed=seed),
    "pump node and Modbus": NodeBench,
    "pump boards by a register map": PumpBoardBench,
}


@pytest.fixture(scope="module")
def measured():
    found = {}
    for name, make in BENCHES.items():
        twin = make(SEED)
        d = twin.determine()
        found[name] = (twin, d, twin.error(d) if d.alkalinity.value is not None else None)
    return found


@pytest.mark.parametrize("name", BENCHES)
def test_each_measures_what_is_there(measured, name):
    twin, d, error = measured[name]

    assert d.alkalinity.verdict.value == "accepted", d.remarks
    assert abs(error) < 3.0 * d.alkalinity.u
    assert d.salinity.value == pytest.approx(35.0, abs=3.0 * d.salinity.u)
    assert twin.world.spilled.spilled_ml == 0.0
    assert twin.play.bound_held


def test_they_agree_within_their_stated_uncertainty(measured):
    """By chi-square about their weighted mean: one test at 0.1 %, where a look at each pair errs in some per cent."""
    values = np.array([d.alkalinity.value for _, d, _ in measured.values()])
    weights = np.array([d.alkalinity.u**-2 for _, d, _ in measured.values()])
    mean = np.sum(weights * values) / np.sum(weights)

    assert np.sum(weights * (values - mean) ** 2) <= chi2.ppf(0.999, len(values) - 1)


def test_the_nodes_pumps_stop_when_the_host_hangs_in_a_determination():
    twin = NodeBench(SEED)
    bench = twin.bench
    bench.drain()
    with pytest.raises(TimeoutError), bench.stage("fill", sample_ml=80.0):
        hang(twin, "sample")

    assert 0.3 <= twin.world.pumps["sample"].last_moved_s - twin.hung_s <= 0.55


def test_the_nodes_own_float_ends_a_fill_and_the_vessel_can_still_be_emptied():
    """Its float alone is up, not the service's: sample stops, waste runs, and titrant stays locked."""
    twin = NodeBench(SEED)
    twin.bench.drain()
    twin.clock.call_later(10.0, lambda: twin.node.look(float=True))
    with pytest.raises(DriverError, match="stopped for its float"), twin.bench.stage("fill", sample_ml=80.0):
        twin.bench.add("sample", 80.0)
    filled_ml = twin.world.volume_ml()
    assert 10.0 < filled_ml < 40.0
    assert filled_ml <= twin.store.ledger.vessel_ml.high

    twin.bench.drain()
    assert twin.world.volume_ml() < 3.0
    assert twin.node.look()["latches"] & 2


def test_a_node_whose_converter_drops_in_a_fill_is_used_again_when_it_is_back():
    twin = NodeBench(SEED)
    twin.bench.drain()
    twin.clock.call_later(10.0, lambda: setattr(twin.node, "gone", OSError(errno.ENODEV, "No such device")))
    with pytest.raises(DriverError), twin.bench.stage("fill", sample_ml=80.0):
        twin.bench.add("sample", 80.0)
    ended_s = twin.clock.monotonic()
    for _ in range(40):
        twin.clock.sleep(0.05)
    assert twin.world.pumps["sample"].last_moved_s <= ended_s + 0.55
    twin.clock.sleep(70.0)
    assert 10.0 < twin.world.volume_ml() <= twin.store.ledger.vessel_ml.high

    twin.node.gone = None
    twin.bench.drain()
    assert twin.world.volume_ml() < 3.0


def test_a_pump_boards_pump_stops_with_its_permit_when_the_host_hangs():
    twin = PumpBoardBench(SEED)
    twin.bench.drain()
    with pytest.raises(TimeoutError), twin.bench.stage("fill", sample_ml=80.0):
        hang(twin, "sample")

    assert 0.3 <= twin.world.pumps["sample"].last_moved_s - twin.hung_s <= 0.65
    assert twin.world.volume_ml() <= twin.store.ledger.vessel_ml.high


def hang(twin, pump):
    """Turn a pump for two seconds, then do nothing more for five."""
    drive, permit = twin.devices.pumps[pump], twin.devices.permits[pump]
    permit.kick()
    drive.start(100_000.0)
    for _ in range(20):
        drive.progress()
        twin.clock.sleep(0.1)
        permit.kick()
    twin.hung_s = twin.clock.monotonic()
    for _ in range(100):
        twin.clock.sleep(0.05)
    raise TimeoutError


@pytest.mark.parametrize("name", ["bench-header.toml", "bench-node.toml", "bench-of-many.toml"])
def test_a_shipped_bench_says_what_it_needs(name):
    assert "Needs the extras " in shipped_config(name).read_text()
