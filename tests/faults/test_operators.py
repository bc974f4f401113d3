"""Whatever operators do, and whatever fails meanwhile, in any order: the floor stays dry and the tank without acid."""

import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from saltern.cli.logs import quiet_logs
from saltern.cli.simulation import Stage, bench_of
from saltern_drivers.twin.scenario import COMPUTER_FAULTS, FaultTable, Scenario
from tests.faults.campaign import KINDS, OF_A_PUMP, PUMPS, SOUND_SEEDS

COMMANDS = (
    ["reset"],
    ["empty"],
    ["rinse"],
    ["measure"],
    ["part", "replaced", "titrant"],
    ["part", "emptied", "waste"],
    ["part", "emptied", "vessel"],
    ["bypass", "temperature-fault", "1", "a try"],
    ["bypass", "overfill", "1", "a try"],
    ["nonsense"],
)
LIES = {"part replaced titrant", "part emptied waste"}
"""What an operator may say without having done it: the ledger believes it, so that it is done here too."""


class Operators(RuleBasedStateMachine):
    """A bench, its operators, and bad luck."""

    def __init__(self):
        super().__init__()
        quiet_logs()
        self.folder = tempfile.TemporaryDirectory()
        scenario = Scenario.model_validate(
            {"seed": SOUND_SEEDS[7], "days": 100.0, "schedule": {"every_h": 2.0}, "keeper": {"attentive": False}}
        )
        config = bench_of(scenario, Path())
        self.stage = Stage(scenario, config, f"{self.folder.name}/saltern.sqlite")
        self.until_s = 0.0
        self.played = set()

    def teardown(self):
        self.stage.close()
        self.folder.cleanup()

    @rule(minutes=st.floats(1.0, 150.0))
    def time_passes(self, minutes):
        self.until_s += 60.0 * minutes
        self.stage.play_until(self.until_s)

    @rule(command=st.sampled_from(COMMANDS), minutes=st.floats(0.1, 20.0))
    def an_operator_acts(self, command, minutes):
        if command[-1] == "titrant":
            self.stage.play.refill_titrant()
        if command[-2:] == ["emptied", "waste"]:
            self.stage.play.empty_waste_container()
        self.stage.computer.post(list(command))
        self.time_passes(minutes)

    @rule(
        kind=st.sampled_from(sorted(set(KINDS) - set(COMPUTER_FAULTS))),
        pump=st.sampled_from(PUMPS),
        after_s=st.floats(0.0, 900.0),
        for_h=st.floats(0.01, 1.0),
    )
    def something_fails_for_a_while(self, kind, pump, after_s, for_h):
        made = FaultTable(kind=kind, at_h=0.0, for_h=for_h, pump=pump if kind in OF_A_PUMP else None)
        would_be = {*self.played, f"{kind} {pump}" if kind == "permit-stuck-on" else kind}
        if any({f"{pump}-pump-runaway", f"permit-stuck-on {pump}"} <= would_be for pump in PUMPS):
            return  # both switches of one pump have failed: nothing on a computer stops it, the second float does
        self.played = would_be
        self.stage.clock.call_later(after_s, lambda: self.stage.play._begin(made))
        self.time_passes(after_s / 60.0 + 5.0)

    @precondition(lambda self: self.stage.computer.service is not None)
    @rule(kind=st.sampled_from(["power-cut", "process-killed", "service-hang"]), after_s=st.floats(0.0, 900.0))
    def the_computer_dies(self, kind, after_s):
        made = FaultTable(kind=kind, at_h=0.0, for_h=0.01)
        self.stage.clock.call_later(after_s, lambda: self.stage.computer.befall(made))
        self.time_passes(after_s / 60.0 + 5.0)

    @invariant()
    def nothing_is_spilled_and_no_acid_gets_out(self):
        truth = self.stage.play.world.spilled
        assert truth.spilled_ml == 0.0
        assert truth.titrant_to_tank_ml == 0.0
        assert truth.peak_vessel_ml <= self.stage.play.world.capacity_ml
        assert truth.max_moving_s_after_trip <= 0.25 + 1e-6
        assert self.stage.play.bound_held


class MoreOperators(Operators):
    """The same, for `make soak`."""


CALM = {"deadline": None, "suppress_health_check": list(HealthCheck)}
Operators.TestCase.settings = settings(max_examples=4, stateful_step_count=8, **CALM)
MoreOperators.TestCase.settings = settings(max_examples=150, stateful_step_count=12, **CALM)
TestOperators = pytest.mark.slow(Operators.TestCase)
TestMoreOperators = pytest.mark.soak(MoreOperators.TestCase)
