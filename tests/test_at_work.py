"""What a service says of itself while it works by its own will: busy while it does, and free again afterwards."""

from contextlib import suppress

import pytest

from saltern.cli.logs import quiet_logs
from saltern.cli.simulated_computer import ProcessDeath
from saltern.cli.simulation import Stage, bench_of
from saltern.errors import InterlockError, SalternError
from saltern.model.determination import Source
from saltern.records.opening import open_for_reading
from saltern.rpc import protocol
from saltern.rpc.protocol import BusyError
from saltern.running.remote import Remote
from saltern.running.service import ALIVE_WITHIN_S
from saltern_drivers.twin.scenario import Scenario
from tests.keeper import keeper
from tests.test_keep_wet import let_pass, stopped_with_dry_probes

RESET = protocol.OperateParams(words=["reset"])


def restarted(tmp_path):
    """Return the stage of a service that finds an unclean stop, and has not looked round yet."""
    quiet_logs()
    scenario = Scenario.model_validate({"seed": 9, "days": 1.0})
    stage = Stage(scenario, bench_of(scenario, tmp_path), str(tmp_path / "saltern.sqlite"))

    def lose(step):
        if step.titrant_ml is not None and step.titrant_ml > 0.0:
            stage.computer.lose(powered=False)
            raise ProcessDeath

    stage.computer.service.watcher = lose
    with pytest.raises(ProcessDeath):
        stage.computer.service.measure(Source.TANK)
    stage.computer.start_again()
    return stage


def test_a_service_that_recovers_is_busy_and_then_free(tmp_path):
    stage = restarted(tmp_path)
    service, seen = stage.computer.service, []
    reader = open_for_reading(tmp_path / "saltern.sqlite", stage.clock)
    remote = Remote(service, reader, list)
    operate = remote.handlers()["operate"]

    def ask(step):
        with pytest.raises(BusyError) as refused:
            operate(RESET)
        seen.append(refused.value.what)

    service.watcher = ask
    service.round()

    assert seen[0] == "the bench is at work: recover from an unclean stop"
    assert service.running is None
    answer = operate(RESET)
    service.round()
    assert answer.result()["done"] == ["reset"]
    reader.close()
    stage.close()


def test_a_refill_leaves_the_service_free():
    hands = keeper(seed=9)
    stopped_with_dry_probes(hands)
    let_pass(hands, hours=4.0)

    assert hands.world.volume_ml() > 50.0
    assert hands.service.running is None


@pytest.mark.parametrize("word", ["empty", "rinse"])
def test_what_an_operator_lets_it_do_leaves_the_service_free(word):
    hands = keeper(seed=9)
    during = []
    hands.service.watcher = lambda step: during.append(hands.service.running)
    hands.service.operator([word])

    assert {found["what"] for found in during} == {word}
    assert hands.service.running is None


def test_a_refused_one_too():
    hands = keeper(seed=9)
    hands.world.leak_wet = True
    hands.stage.play.wires.pins.refresh_inputs()
    with pytest.raises(InterlockError):
        hands.service.operator(["rinse"])

    assert hands.service.running is None


def test_a_control_thread_that_stands_still_in_a_determination_is_not_alive():
    """Whoever watches from outside must hear of it: at work is not alive."""
    hands = keeper(seed=9)
    alive = []

    def hang(step):
        if step.phase == "fill":
            alive.append(hands.service.is_alive())
            hands.stage.clock.sleep(ALIVE_WITHIN_S + 1.0)
            alive.append(hands.service.is_alive())

    hands.service.watcher = hang
    with suppress(SalternError):  # what the bench makes of a pause is not what is looked at
        hands.service.measure(Source.TANK)
    assert alive[:2] == [True, False]
