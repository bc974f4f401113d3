"""A keeper at the simulated bench, of the product's own hands, for tests that run a guided procedure in one call."""

from pathlib import Path

from saltern.cli.hands import PracticeKeeper
from saltern.cli.logs import quiet_logs
from saltern.cli.simulation import Stage, bench_of
from saltern.running import guided
from saltern_drivers.twin.hands import Hands
from saltern_drivers.twin.scenario import Scenario


class Keeper(PracticeKeeper):
    """Answers as the twin is. `mistakes` swaps what is done for a key; `at_key` may end the process at one."""

    def __init__(self, stage, seed=1, reference=None, bottles=None, mistakes=None):
        self.stage = stage
        known = {"inlet-in-reference": reference} if reference is not None else {}
        hands = Hands(
            stage.play.world,
            lambda: stage.play.wires.pins.refresh_inputs(),
            seed=seed,
            mistakes=mistakes,
            bottles={**known, **(bottles or {})},
        )
        super().__init__(lambda: self.service, hands, before=self._before)
        self.mistakes = hands.mistakes
        self.at_key = None

    def _before(self, key):
        if self.at_key is not None:
            self.at_key(key)

    @property
    def world(self):
        return self.stage.play.world

    @property
    def service(self):
        return self.stage.computer.service

    def run(self, name, **options):
        """Run a guided procedure to its end."""
        return guided.run(self.service, name, guided.options_of(name, options), self, "the keeper")


def keeper(seed=5, folder=Path(), records=":memory:", scenario=None, bench=None, **known):
    """Return a keeper at a bench whose service has just started."""
    quiet_logs()
    table = {"seed": seed, "days": 1.0, **(scenario or {})}
    played = Scenario.model_validate(table)
    stage = Stage(played, bench if bench is not None else bench_of(played, folder), records)
    return Keeper(stage, seed=seed, **known)
