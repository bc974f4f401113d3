"""What this bench knows of its volumes, as it was found at the start and as it has become since."""

from dataclasses import replace

from saltern.bench import bookkeeping
from saltern.bench.bookkeeping import LedgerStore
from saltern.bench.machine import Machine
from saltern.errors import StorageError
from saltern.model.ledger import Interval, Ledger

RAN_ON_S = 5.0
"""Safe-off takes a dead process's outputs low within a second or two; counted even though permits lapse sooner."""


class Account:
    """The ledger in force and what goes with it; the guard looks at it in every scan, `Commits` puts it on the disk."""

    def __init__(self, machine: Machine, store: LedgerStore) -> None:
        self.on_disk: Ledger | None = None  # what was committed last, as it stands there
        self.covered = False  # what moves now is promised on the disk already, though it takes no more
        self.lost = False  # when it was opened: anything may be in vessel, bottle and container
        self.ledger, self.found, self.found_unclean = self._open(machine, store)
        self.must_prove = self.found_unclean  # nothing is added to a wet vessel before a drain is proved
        self.filled_ml = 0.0  # what was pumped in since the vessel was last proved empty, as commanded
        self.storage_failed = False

    def _open(self, machine: Machine, store: LedgerStore) -> tuple[Ledger, str, bool]:
        """Take up the ledger where it was left, and say what was found."""
        config = machine.config
        capacity_ml = config.vessel.capacity_ml
        try:
            kept = store.load_ledger()
        except StorageError as error:
            self.lost = True
            return self._worst(machine), error.what, True
        self.on_disk = kept
        if kept is None:
            first = bookkeeping.first(capacity_ml, config.titrant.bottle_ml)
            return first, "a bench that starts for the first time", False
        if kept.stage is not None:
            ran_on_ml = RAN_ON_S * sum(machine.rate_ml_s(role) for role in ("sample", "titrant"))
            ledger = bookkeeping.after_unclean_stop(kept, capacity_ml, ran_on_ml)
            found = f"an unclean stop during {kept.stage}: the vessel holds at most {ledger.vessel_ml.high:.0f} mL"
            return ledger, found, True
        return kept, f"an orderly stop: the vessel holds at most {kept.vessel_ml.high:.0f} mL", False

    @staticmethod
    def _worst(machine: Machine) -> Ledger:
        config, limits = machine.config, machine.config.limits
        return bookkeeping.worst(
            config.vessel.capacity_ml,
            config.titrant.bottle_ml,
            config.waste.container_ml,
            limits.titrant_per_day_ml,
            limits.titrant_per_run_ml,
        )

    def doubt(self, capacity_ml: float, why: str) -> None:
        """Take the vessel for anything between empty and full, until a drain is proved."""
        self.ledger = replace(self.ledger, vessel_ml=Interval(0.0, capacity_ml))
        self.found = why
        self.must_prove = True

    def promises(self, ledger: Ledger) -> bool:
        """Return whether what is on the disk bounds vessel and titrant as this ledger would, and ends uncleanly.

        A start that finds it so takes the vessel for as full, and proves it empty first.
        """
        kept = self.on_disk
        return (
            kept is not None
            and kept.stage is not None
            and kept.vessel_ml.high >= ledger.vessel_ml.high
            and kept.titrant_left_ml.low <= ledger.titrant_left_ml.low
            and kept.titrant_recent_ml >= ledger.titrant_recent_ml
            and kept.titrant_run_ml >= ledger.titrant_run_ml
        )

    def proved_empty(self, ledger: Ledger) -> None:
        """Take up a ledger by which the vessel is empty: nothing has to be proved any more, nothing is in."""
        self.ledger = ledger
        self.must_prove = False
        self.filled_ml = 0.0
