"""A keeper tries every float and button, on a service that runs; and may leave out what guards the number alone."""

import json
import threading
from contextlib import contextmanager, suppress

import pytest

from saltern.bench.gate import Purpose
from saltern.cli.logs import quiet_logs
from saltern.clock import PacedClock
from saltern.config.loading import bench_from
from saltern.errors import RemoteError
from saltern.records.opening import open_for_reading, open_store
from saltern.records.upkeep import began, keep_bench_file, keep_proof, proved
from saltern.rpc.server import Server
from saltern.running.remote import Remote
from saltern.running.service import open_service
from saltern_drivers.twin.scenario import Play, Scenario
from tests.cli.command import run
from tests.processes import until
from tests.twin_bench import bench_table

CAUSES = {
    "overfill": "overfill_broken",
    "leak": "leak_wet",
    "stop": "stop_pressed",
}


class Here:
    """A service that runs in a thread, its socket, and its world."""

    def __init__(self, folder):
        quiet_logs()
        config = bench_from(bench_table({"schedule": {"at": ["23:59:00"]}}), where="test")
        clock = PacedClock(20.0)
        self.play = Play(Scenario(seed=3, days=1.0), config.model_dump(), clock)
        self.store = open_store(folder / "s.sqlite", clock)
        keep_bench_file(self.store, "a bench", clock.now())
        self.service = open_service(config, self.play.wires, clock, self.store)
        self.service.idle_s = 0.5
        self.reader = open_for_reading(folder / "s.sqlite", clock)
        self.socket = folder / "s.sock"
        self.shown = set()  # what a client has been told that acts
        handlers = Remote(self.service, self.reader, list).handlers()
        self.server = Server(self.socket, {**handlers, "status": self._noting(handlers["status"])})
        self.thread = threading.Thread(target=self.service.run)
        self.thread.start()

    def _noting(self, status):
        def told(params):
            answer = status(params)
            self.shown |= {row["name"] for row in answer["interlocks"]}
            return answer

        return told

    def acting(self):
        return {row.name for row in self.service.bench.guard.acting}

    def close(self):
        self.service.end()
        self.thread.join()
        self.server.close()
        self.service.bench.close()
        self.reader.close()
        self.store.close()


@pytest.fixture
def here(tmp_path):
    made = Here(tmp_path)
    yield made
    made.close()


@contextmanager
def hands(here, causes):
    """Provoke each, and put it back once its acting was shown; the waste container's float last."""
    over = threading.Event()

    def wait(condition):
        until(lambda: condition() or over.is_set())

    def act():
        for row, cause in causes.items():
            setattr(here.play.world, cause, True)
            wait(lambda row=row: row in here.shown)
            setattr(here.play.world, cause, False)
            wait(lambda row=row: row not in here.acting())
        here.play.world.waste_ml = 0.97 * here.play.world.waste_capacity_ml
        wait(lambda: "waste-full" in here.shown)
        here.play.world.waste_ml = 0.0

    thread = threading.Thread(target=act)
    thread.start()
    yield
    over.set()
    thread.join()


def test_what_acts_and_lets_go_has_passed_and_is_on_record(here):
    with hands(here, CAUSES):
        code, out, err = run("proof-test", "--socket", here.socket, "--within", "600", "--who", "a keeper", "--json")

    assert code == 0, err
    assert [trial["passed"] for trial in json.loads(out)["outcomes"]] == [True] * 4
    assert "Lift the overfill float" in err
    assert set(proved(here.store)) == {"overfill", "leak", "stop", "waste-full"}
    assert here.acting() <= {"volume-bound"}
    assert here.service.bench.gate.closed(Purpose.SCHEDULED) is None  # the test is over


def test_while_it_waits_for_a_hand_nothing_is_drained_and_broken_off_it_holds_nothing(here, monkeypatch):
    said = []

    def another_terminal(client, *trial, **more):
        try:
            client.call("operate", within_s=60.0, words=["empty"])
        except RemoteError as error:
            said.append(error)
        raise KeyboardInterrupt

    monkeypatch.setattr("saltern.cli.proof_test._until", another_terminal)
    with suppress(KeyboardInterrupt):
        run("proof-test", "--socket", here.socket)

    assert [error.code for error in said] == [3]
    assert "a proof test is under way" in str(said[0])
    assert here.service.bench.turned == {}
    assert here.service.bench.gate.closed(Purpose.DRAIN) is None


def test_a_float_that_does_not_act_has_failed_and_is_not_proved(here):
    here.play.world.overfill_stuck_dry = True
    with hands(here, {"leak": "leak_wet", "stop": "stop_pressed"}):
        code, _, err = run("proof-test", "--socket", here.socket, "--within", "4")

    assert code == 1
    assert "overfill: FAILED" in err
    assert "overfill" not in proved(here.store)


def test_a_newer_failure_undoes_an_older_pass(here):
    now = here.service.clock.now()
    keep_proof(here.store, "leak", passed=True, who="x", at=now)
    keep_proof(here.store, "leak", passed=False, who="x", at=now)

    assert "leak" not in proved(here.store)
    assert began(here.store) is not None
