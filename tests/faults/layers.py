"""Protection, switched off a layer at a time: what then goes wrong shows that the campaign would see it."""

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from functools import partial
from unittest.mock import patch

from saltern.bench import bench as bench_module
from saltern.bench import bookkeeping
from saltern.bench.account import Account
from saltern.bench.draining import Drained, Draining
from saltern.bench.guard import Guard
from saltern.bench.lapse import Lapse
from saltern.bench.proofs import Proofs
from saltern.model.ledger import Interval
from saltern.model.verdict import Quantity, Verdict
from saltern.records.store import Store
from saltern_drivers.gpio_timed_pump import TimedPump
from saltern_drivers.twin.pins import TwinPinFactory
from saltern_drivers.twin.world import World


@contextmanager
def without(*names: str) -> Iterator[None]:
    """Switch these layers off."""
    with ExitStack() as stack:
        for name in names:
            for change in LAYERS[name]():
                stack.enter_context(change)
        yield


def _guard_off() -> list:
    return [patch.object(bench_module, "Guard", partial(Guard, table=()))]


def _cuts_ignored() -> list:
    return [
        patch.object(Guard, "demand", lambda self, role: None),
        patch.object(Guard, "_stop", lambda self, role: None),
        patch.object(Guard, "_cuts", lambda self, acting: frozenset()),
    ]


def _permits_off() -> list:
    begin = World.__post_init__

    def lit(self: World) -> None:
        begin(self)
        for head in self.pumps.values():
            head.permit_stuck = True

    proofs = [patch.object(Proofs, name, lambda self, role: None) for name in ("prove_permit", "prove_cut")]
    return [patch.object(World, "__post_init__", lit), patch.object(Lapse, "prove", lambda self: True), *proofs]


def _deadlines_off() -> list:
    """A timed pump whose end is never armed."""
    start = TimedPump.start

    def endless(self: TimedPump, *amount: object) -> None:
        start(self, *amount)
        self._end.cancel()

    return [patch.object(TimedPump, "start", endless)]


def _ledger_off() -> list:
    def promised(ledger: bookkeeping.Ledger, stage: str, *_: float) -> bookkeeping.Ledger:
        return bookkeeping.replace(ledger, stage=stage)

    return [
        patch.object(bookkeeping, "promised", promised),
        patch.object(bookkeeping, "sample_added", lambda ledger, *_: ledger),
        patch.object(bookkeeping, "after_unclean_stop", lambda found, *_: bookkeeping.replace(found, stage=None)),
    ]


def _memory_of_stages_off() -> list:
    """A start that believes the vessel empty, whatever the last process left."""

    opened = Account._open

    def empty(self: Account, *given: object) -> tuple[bookkeeping.Ledger, str, bool]:
        found, words, _ = opened(self, *given)  # type: ignore[arg-type]
        return bookkeeping.replace(found, vessel_ml=Interval(0.0, 1.0), stage=None), words, False

    return [patch.object(Account, "_open", empty)]


def _proof_of_empty_off() -> list:
    """A drain that is believed without its transition."""

    def stated(self: Draining, **_: float) -> Drained:
        self._motion.turn("waste", 20.0)
        self._account.ledger = bookkeeping.proved_empty(self._account.ledger, self._machine.cell_ml)
        return Drained(True, True, 20.0, 20.0)

    return [patch.object(Draining, "drain", stated)]


def _safe_off_off() -> list:
    return [patch.object(TwinPinFactory, "force_low", lambda self: None)]


def _verdict_off() -> list:
    def accept(config: object, found: object, *_: object, **__: object) -> Quantity:
        return Quantity(found.value, found.u, Verdict.ACCEPTED)  # type: ignore[attr-defined]

    def as_it_is(store: object, rules: object, d: object) -> object:
        return d

    return [
        patch("saltern.procedures.determination.judge_alkalinity", accept),
        *(patch(f"saltern.running.measuring.{name}", as_it_is) for name in ("surprising", "anchored")),
    ]


def _alerts_off() -> list:
    return [patch("saltern.running.alerting.Alerting.raise_once", lambda self, alert, steps=0.0: None)]


def _records_off() -> list:
    keep = Store.keep

    def forgetful(self: Store, d: object) -> int:
        number = keep(self, d)
        if number == 2:
            self._connection.execute("DELETE FROM determination WHERE id = 1")
        return number

    return [patch.object(Store, "keep", forgetful)]


def _loop_off() -> list:
    def fall(self: object, seconds: float) -> None:
        raise RuntimeError("the loop fell over")

    return [patch.object(bench_module.Bench, "idle", fall)]


def _hydraulics_off() -> list:
    return [patch("saltern.bench.devices.refusals", lambda config: [])]


LAYERS: dict[str, Callable[[], list]] = {
    "guard": _guard_off,
    "cuts": _cuts_ignored,
    "permits": _permits_off,
    "deadlines": _deadlines_off,
    "ledger": _ledger_off,
    "memory of stages": _memory_of_stages_off,
    "proof of empty": _proof_of_empty_off,
    "safe-off": _safe_off_off,
    "verdict": _verdict_off,
    "alerts": _alerts_off,
    "records": _records_off,
    "loop": _loop_off,
    "hydraulics": _hydraulics_off,
}
