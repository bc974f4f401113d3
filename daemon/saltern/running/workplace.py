"""What a guided procedure, or an operator's command, is handed of a running bench."""

from typing import Protocol

from saltern.bench.bench import Bench
from saltern.config.tables import BenchConfig
from saltern.ports import Clock
from saltern.records.store import Store
from saltern.running.alerting import Alerting
from saltern.running.at_work import AtWork
from saltern.running.measuring import Measuring
from saltern.running.probes import Probes


class Workplace(Protocol):
    """The bench, its records, and those rooms of the service that a person's work touches."""

    @property
    def bench(self) -> Bench: ...

    @property
    def store(self) -> Store: ...

    @property
    def clock(self) -> Clock: ...

    @property
    def file(self) -> BenchConfig:
        """The bench file, as it is written; `config` is that with the calibrations in force."""
        ...

    @property
    def config(self) -> BenchConfig: ...

    @property
    def alerting(self) -> Alerting: ...

    @property
    def at_work(self) -> AtWork: ...

    @property
    def measuring(self) -> Measuring: ...

    @property
    def probes(self) -> Probes: ...

    def take_up_calibrations(self) -> None: ...

    def hands_at_the_bench(self, procedure: str | None) -> None: ...
