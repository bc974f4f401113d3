"""The bring-up as it stands: which steps are on record, which is next, one of them run, and what follows the last."""

from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field
from pydantic.dataclasses import dataclass as validated

from saltern.bench.proof import trials
from saltern.config.tables import BenchConfig
from saltern.errors import InterlockError, MotionError, ReadingError
from saltern.model.calibration import Calibration, Cause
from saltern.procedures.bring_up.site import Amiss, Site, StepRefusedError
from saltern.procedures.bring_up.steps import AFTERWARDS, STEPS, BringUpStep
from saltern.procedures.options import CHECKED
from saltern.procedures.prompts import Prompts
from saltern.records import calibrations
from saltern.records.calibrations import ENDED
from saltern.records.store import IN_MEMORY, Store
from saltern.records.upkeep import keep_proof, keep_state, proved, state
from saltern.running.bring_up_computer import amiss_with_computer
from saltern.running.commissioning import commission, commissioned
from saltern.running.workplace import Workplace

LEFT = "bring-up"
"""The state in which a step leaves word for its next run."""

BY = "bring-up"
"""Who saw an interlock act in a step: the record of the step itself says whose hands it was."""

PASSED_ALL = "bring-up, calibrations and proof test are on record"

StepName = Literal[
    "computer", "outputs", "inputs", "permits", "turning", "water", "leaks", "floats", "probes", "kill", "vessel",
    "acid",
]  # fmt: skip


@validated(frozen=True, config=CHECKED)
class BringUpOptions:
    """Which step; the next one otherwise."""

    step: Annotated[StepName | None, Field(description="one that was passed before is tried again")] = None


class OutOfOrderError(InterlockError):
    """A step was asked for before those ahead of it were passed."""


@dataclass(frozen=True)
class Item:
    """One line of the checklist."""

    name: str
    title: str
    command: str
    passed_utc: str | None
    who: str | None
    words: str | None


@dataclass(frozen=True)
class Checklist:
    """Steps, then what follows them; `next` is the first line that is not on record, None where all are."""

    items: tuple[Item, ...]

    @property
    def next(self) -> Item | None:
        return next((item for item in self.items if item.passed_utc is None), None)

    def as_json(self) -> dict[str, Any]:
        """Return it as `status` gives it."""
        coming = self.next
        return {
            "items": [asdict(item) for item in self.items],
            "done": sum(item.passed_utc is not None for item in self.items),
            "next": None if coming is None else asdict(coming),
        }


def checklist(store: Store, config: BenchConfig) -> Checklist:
    """Return how far a bench has come, by its records alone."""
    kept = calibrations.in_force(store)
    items = []
    for kind, name, title, command in (
        *((step.kind, step.name, step.title, "bring-up") for step in STEPS),
        *((kind, kind.value, "", command) for kind, command in AFTERWARDS),
    ):
        found = kept.get(kind)
        counts = found is not None and found.outcome != ENDED
        items.append(
            Item(
                name,
                title or command.split(" --")[0],
                f"saltern {command}",
                found.at.isoformat(timespec="seconds") if found is not None and counts else None,
                found.who if found is not None and counts else None,
                found.words if found is not None and counts else None,
            )
        )
    tried = {trial.interlock for trial in trials(config)}
    seen = proved(store)
    last = max((seen[name] for name in tried), default=None) if tried <= seen.keys() else None
    at_utc = None if last is None else last.isoformat(timespec="seconds")
    items.append(Item("proof-test", "each interlock seen to act", "saltern proof-test", at_utc, None, None))
    return Checklist(tuple(items))


def run_step(service: Workplace, prompts: Prompts, options: BringUpOptions) -> Calibration:
    """Run a step, the next one where none is named; what it finds goes on record as a calibration does.

    Raises
    ------
    OutOfOrderError
        One of the steps before it was not passed.
    StepRefusedError
        It was not passed. One that was passed before counts no more.
    """
    step = _wanted(service.store, options.step)
    site = Site(
        service.bench,
        prompts,
        computer=partial(_computer, service),
        proved=partial(_keep_proof, service),
        remembered=partial(_remembered, service, step.name),
        remember=partial(_remember, service, step.name),
    )
    prompts.say(f"Step {STEPS.index(step) + 1} of {len(STEPS)}: {step.title}. {step.ready[0].upper()}{step.ready[1:]}.")
    try:
        found = step.run(site)
    except StepRefusedError:
        _count_no_more(service, step)
        raise
    except (MotionError, InterlockError, ReadingError) as error:
        _count_no_more(service, step)
        raise StepRefusedError(step.kind, Cause.NOT_PASSED, f"{error.what} ({error.where})", error.remedy) from error
    prompts.say(f"Passed: {found.words}")
    return Calibration(step.kind, found.values, found.words, found.statistics)


def go_on_from(service: Workplace, prompts: Prompts, who: str) -> None:
    """Say what comes next on a new bench; once all of its checklist is on record, that it may be used."""
    store, config = service.store, service.config
    if commissioned(store, config) is not None:
        return
    coming = checklist(store, config).next
    if coming is not None:
        prompts.say(f"Next on the checklist: {coming.name}, {coming.title}: {coming.command}")
        return
    commission(store, who, PASSED_ALL, service.clock.now())
    prompts.say("The checklist is complete. The bench is commissioned, and the schedule runs from now on")


def _wanted(store: Store, name: str | None) -> BringUpStep:
    kept = calibrations.in_force(store)
    missing = next((step for step in STEPS if step.kind not in kept), None)
    if name is None:
        if missing is None:
            raise OutOfOrderError(
                "every step of the bring-up is on record",
                where="bring-up",
                remedy="Name the one to try again: saltern bring-up water; what follows: saltern bring-up --list",
                interlock="bring-up",
            )
        return missing
    step = next(step for step in STEPS if step.name == name)
    if missing is not None and STEPS.index(missing) < STEPS.index(step):
        raise OutOfOrderError(
            f"{step.name} comes after {missing.name}, which is not passed yet",
            where="bring-up",
            remedy="Go on with it: saltern bring-up",
            interlock="bring-up",
        )
    return step


def _count_no_more(service: Workplace, step: BringUpStep) -> None:
    """Let an earlier pass of a step count no more: what fails today was not proved yesterday."""
    if step.kind in calibrations.in_force(service.store):
        calibrations.roll_back(service.store, step.kind, None, BY, service.clock.now())
        service.take_up_calibrations()


def _keep_proof(service: Workplace, interlock: str, passed: bool) -> None:
    keep_proof(service.store, interlock, passed=passed, who=BY, at=service.clock.now())


def _computer(service: Workplace) -> list[Amiss]:
    """Return what is amiss with the computer; a simulated bench has none."""
    if service.config.wires == "twin":
        return []
    where = service.store.where
    return amiss_with_computer(service.clock.now(), None if where == IN_MEMORY else Path(where).parent)


def _remembered(service: Workplace, step: str) -> Any:
    kept = state(service.store, LEFT)
    return kept.get(step) if isinstance(kept, dict) else None


def _remember(service: Workplace, step: str, left: Any) -> None:
    keep_state(service.store, LEFT, None if left is None else {step: left}, service.clock.now())
