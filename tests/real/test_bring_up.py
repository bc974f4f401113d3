"""The dry steps of the bring-up on the real GPIO library: what reaches each line while somebody holds a meter there."""

import pytest

from saltern.bench.gate import COMMISSIONED
from saltern.clock import RealClock
from saltern.records.opening import open_store
from saltern.records.upkeep import keep_state
from saltern.rpc.client import Client
from tests.real.examples import header_bench, serial_bench
from tests.real.service import running

PERMITS = {"sample": 19, "waste": 11, "titrant": 13}
DRIVES = {"sample": 17, "waste": 12, "titrant": 23}
"""Of both example benches: the permit's line, and the line that pulses, or is high, while a pump is driven."""

DRY_G = 0.2


@pytest.fixture(params=[header_bench, serial_bench], ids=["header", "serial"])
def bench(request, pi_header, tmp_path):
    """An example bench that nobody has tried yet."""
    example = request.param(pi_header, tmp_path)
    clock = RealClock()
    store = open_store(tmp_path / "saltern.sqlite", clock)
    keep_state(store, COMMISSIONED, None, clock.now())
    store.close()
    yield example.file, example.world
    example.world.close()


class Person:
    """Does what a step asks, and answers by what the lines did since the last question."""

    def __init__(self, header, world):
        self.header, self.world, self.seen = header, world, {}
        self.asked = []

    def answer(self, question):
        what, _, of = question["key"].partition(" ")
        self.asked.append(question["key"])
        if what == "meter-at":
            self.before = self.rises()
        elif what == "meter":
            self.seen[of] = {name: count - self.before[name] for name, count in self.rises().items()}
            return "1" if self.seen[of][of] > 0 else "2"
        with self.world.lock:
            if what == "vessel-dry":
                self.world.world.vessel = self.world.world.tank.water(DRY_G)
            elif what in ("open", "close"):
                (self.world.world.lifted.add if what == "open" else self.world.world.lifted.discard)(of)
        return "done"

    def rises(self):
        lines = {f"permit {role}": line for role, line in PERMITS.items()}
        lines |= {f"drive {role}": line for role, line in DRIVES.items()}
        return {name: self.header.rises(line) for name, line in lines.items()}


def run_step(service, person, step):
    """Run a step over the socket, and return what it ended with."""
    socket = service.bench.parent / "bench.sock"
    with Client(socket) as watching, Client(socket) as asking:
        watching.call("follow")
        asking.call("guide", procedure="bring-up", options={"step": step}, answers={}, who="a test")
        for kind, what in watching.notifications():
            if kind == "question":
                asking.call("answer", key=what["key"], text=person.answer(what))
            elif kind == "ended":
                return what
    return None


@pytest.mark.soak
def test_each_output_rises_alone_on_its_own_line_and_each_input_answers_alone(bench, pi_header):
    path, world = bench
    with running(pi_header, path) as service:
        service.wait_until_ready()
        person = Person(pi_header, world)
        for step in ("computer", "outputs", "inputs"):
            ended = run_step(service, person, step)
            assert "error" not in ended, (ended, service.said())

        for of, rose in person.seen.items():
            assert {name for name, count in rose.items() if count} == {of}
        assert set(person.seen) == {f"{part} {role}" for part in ("permit", "drive") for role in PERMITS}
        found = service.ask("status")
        assert [item["name"] for item in found["bring_up"]["items"] if item["passed_utc"]] == [
            "computer", "outputs", "inputs",
        ]  # fmt: skip
        assert found["commissioned"] is None
        assert service.stop() == 0, service.said()
