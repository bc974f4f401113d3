"""What each operator's command does: one function a command, in the control thread."""

from collections.abc import Callable, Sequence
from datetime import timedelta
from typing import Any

from saltern.bench import bookkeeping
from saltern.bench.gate import HELD_UNTIL, Purpose
from saltern.bench.proof import trials
from saltern.errors import ConfigError
from saltern.model.calibration import Kind, Value
from saltern.model.commands import (
    Bypass,
    Command,
    Commission,
    Empty,
    Hold,
    Measure,
    PartEmptied,
    PartInstalled,
    PartReplaced,
    ProofTest,
    Proved,
    Reset,
    Rinse,
)
from saltern.model.determination import Source
from saltern.procedures.notebook import Notebook
from saltern.procedures.vessel import empty
from saltern.records.calibrations import NO_TRIS, keep_ended
from saltern.records.upkeep import install, keep_bypass, keep_proof, keep_state
from saltern.running.commissioning import commission, proof_test
from saltern.running.reference import REFERENCE_USED
from saltern.running.workplace import Workplace


def obey(place: Workplace, command: Command) -> None:
    """Do what a command says.

    Raises
    ------
    SalternError
        It could not be done, or this bench has no such thing.
    """
    HANDLERS[type(command)](place, command)


def _reset(place: Workplace, _: Reset) -> None:
    place.bench.guard.reset("operator")


def _empty(place: Workplace, _: Empty) -> None:
    with place.at_work.at("empty"), place.bench.gate.through(Purpose.DRAIN):
        empty(place.bench, Notebook(place.bench, place.at_work.watch))
    place.bench.forget_weights()
    place.bench.guard.scan()


def _rinse(place: Workplace, _: Rinse) -> None:
    with place.at_work.at("rinse"), place.bench.gate.through(Purpose.ASKED):
        place.probes.rinse()


def _measure(place: Workplace, _: Measure) -> None:
    place.measuring.measure(Source.TANK)


def _part_replaced(place: Workplace, command: PartReplaced) -> None:
    if command.what == "titrant":
        bottle_ml = place.config.titrant.bottle_ml
        place.bench.note(bookkeeping.bottle_replaced(place.bench.ledger, bottle_ml), "new bottle of titrant")
    else:
        keep_state(place.store, REFERENCE_USED, None, place.clock.now())
        place.alerting.clear("reference-unusable")


def _part_emptied(place: Workplace, command: PartEmptied) -> None:
    if command.what == "vessel":
        place.bench.accept_empty("an operator looked: the vessel is empty")
    else:
        place.bench.note(bookkeeping.container_emptied(place.bench.ledger), "waste container emptied")


def _part_installed(place: Workplace, command: PartInstalled) -> None:
    _demand_known(command.name, list(place.config.parts), "part")
    install(place.store, command.name, place.clock.now())
    if place.config.parts[command.name].settles == "ph":
        _forget_tris(place, command.name)


def _forget_tris(place: Workplace, name: str) -> None:
    """Let the correction of pH count no more: it was that of the old electrode."""
    ph = place.config.probes.ph
    if ph.tris_u_ph is not None:
        before: dict[str, Value] = {"probes.ph.tris_off_ph": ph.tris_off_ph, "probes.ph.tris_u_ph": ph.tris_u_ph}
        why = f"ended: {name} is new, and the correction was that of the old one"
        keep_ended(place.store, Kind.TRIS, NO_TRIS, why, place.clock.now(), before)
        place.take_up_calibrations()


def _hold(place: Workplace, command: Hold) -> None:
    now = place.clock.now()
    until = None if command.hours == 0.0 else (now + timedelta(hours=command.hours)).isoformat()
    keep_state(place.store, HELD_UNTIL, until, now)
    if until is None:
        place.hands_at_the_bench(None)


def _proved(place: Workplace, command: Proved) -> None:
    _demand_known(command.interlock, [trial.interlock for trial in trials(place.config)], "trial")
    passed = command.outcome == "passed"
    keep_proof(place.store, command.interlock, passed=passed, who=command.who, at=place.clock.now())


def _proof_test(place: Workplace, command: ProofTest) -> None:
    proof_test(place.store, place.clock.now(), begins=command.act == "begins")


def _commission(place: Workplace, command: Commission) -> None:
    commission(place.store, command.who, command.why, place.clock.now())


def _bypass(place: Workplace, command: Bypass) -> None:
    place.bench.guard.bypass(command.name, 3600.0 * command.hours)
    keep_bypass(place.store, command.name, command.hours, command.why, place.clock.now())


HANDLERS: dict[type[Command], Callable[[Workplace, Any], None]] = {
    Reset: _reset,
    Empty: _empty,
    Rinse: _rinse,
    Measure: _measure,
    PartReplaced: _part_replaced,
    PartEmptied: _part_emptied,
    PartInstalled: _part_installed,
    Hold: _hold,
    Proved: _proved,
    ProofTest: _proof_test,
    Commission: _commission,
    Bypass: _bypass,
}
"""By model of `saltern.model.commands`; a test holds the two lists against each other."""


def _demand_known(name: str, known: Sequence[str], what: str) -> None:
    """Refuse a name that this bench does not have.

    Raises
    ------
    ConfigError
        With those that it has.
    """
    if name not in known:
        raise ConfigError(
            f"this bench has no {what} {name!r}", where="operator", remedy=f"It has: {', '.join(known) or 'none'}"
        )
