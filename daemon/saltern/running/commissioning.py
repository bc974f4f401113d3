"""What holds a bench, in its records: that it is commissioned, by whom and why, and that a proof test is under way."""

from contextlib import suppress
from dataclasses import asdict
from datetime import datetime, timedelta
from typing import Any

from saltern.bench.gate import COMMISSIONED, PROOF_TEST_UNTIL, is_commissioned
from saltern.bench.proof import trials
from saltern.config.tables import BenchConfig
from saltern.errors import StorageError
from saltern.model.commissioned import Commissioned
from saltern.model.determination import Source
from saltern.model.verdict import Verdict
from saltern.records.store import Store
from saltern.records.upkeep import keep_state, proved, state

PROOF_TEST_LASTS = timedelta(minutes=30)
"""A proof test that says nothing for so long is over: a terminal that was lost must not hold a bench for good."""

IN_USE = "it was in use before: an accepted result and a passed proof test are in its records"


def commission(store: Store, who: str, why: str, at: datetime) -> None:
    """Keep that a bench may be used: somebody has tried where its lines lead, and that its floats act."""
    record = Commissioned(at.isoformat(timespec="seconds"), who, why)
    keep_state(store, COMMISSIONED, asdict(record), at)


def keep_what_was_in_use(store: Store, config: BenchConfig, at: datetime) -> None:
    """Count a bench as commissioned that has no record of it, and was in use with an earlier version.

    That is: a result of the tank was accepted, and each of its interlocks was seen to act in a proof test.
    """
    if state(store, COMMISSIONED) is not None or config.wires == "twin":
        return
    tried = {trial.interlock for trial in trials(config)}
    accepted = any(d.alkalinity.verdict is Verdict.ACCEPTED for d in store.reportable(Source.TANK, 1))
    if accepted and tried and tried <= proved(store).keys():
        with suppress(StorageError):  # a full disk keeps no service from starting; it is kept at the next start
            commission(store, "service", IN_USE, at)


def say_whether_commissioned(store: Store, config: BenchConfig, at: datetime, *, commissioned: bool) -> None:
    """Keep of a bench that is played, whatever wires its file names, whether it counts as commissioned."""
    kept = state(store, COMMISSIONED)
    if kept is None and is_commissioned(kept, config.wires) is not commissioned:
        record = asdict(Commissioned(at.isoformat(timespec="seconds"), "nobody", "a simulated bench"))
        keep_state(store, COMMISSIONED, record if commissioned else False, at)


def commissioned(store: Store, config: BenchConfig) -> dict[str, Any] | None:
    """Return the record for `status`, or None; of a simulated bench without one, what it counts as."""
    kept = state(store, COMMISSIONED)
    if isinstance(kept, dict):
        return kept
    if is_commissioned(kept, config.wires):
        return asdict(Commissioned(None, "nobody", "a simulated bench"))
    return None


def proof_test(store: Store, at: datetime, *, begins: bool) -> None:
    """Keep that a proof test is under way, from now on for `PROOF_TEST_LASTS`, or that it is over."""
    until = at + PROOF_TEST_LASTS
    keep_state(store, PROOF_TEST_UNTIL, until.isoformat() if begins else None, at)
