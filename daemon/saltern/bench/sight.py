"""What one scan sees: the switches, the account of the volumes, and what is under way."""

from saltern.bench.account import Account
from saltern.bench.guard import SWITCH_ROWS
from saltern.bench.in_drain import InDrain
from saltern.bench.interlocks import Snapshot
from saltern.bench.machine import Machine
from saltern.bench.under_way import UnderWay
from saltern.ports import Clock, DriverError, Switch

STALE_S = 30.0
"""A reading that a stage needs may be so old. Titration reads each few seconds, and a board that garbles one answer in
twenty is asked again within its time-out; longer, and acid would be given unseen (assumed)."""

RUN_CEILING_MARGIN = 1.1
"""The ceiling of a run counts titrant as given; the ledger counts the most that it may have been."""


class Sight:
    """Fills the guard's snapshot, at every scan."""

    def __init__(
        self, machine: Machine, account: Account, under_way: UnderWay, in_drain: InDrain, clock: Clock
    ) -> None:
        self._machine = machine
        self._account = account
        self._under_way = under_way
        self._in_drain = in_drain
        self._clock = clock
        switches = machine.devices.switches
        self._switches = [(name, one) for name in SWITCH_ROWS if (one := switches.get(name)) is not None]
        self.unreadable: dict[str, str] = {}  # inputs that cannot be read, and why

    def look(self, seen: Snapshot) -> None:
        for name, switch in self._switches:
            setattr(seen, name, self._is_active(name, switch))
        machine, ledger, limits = self._machine, self._account.ledger, self._machine.config.limits
        seen.vessel_high_ml = ledger.vessel_ml.high
        seen.overfill_ml = machine.overfill_ml
        seen.titrant_run_ml = ledger.titrant_run_ml
        seen.titrant_run_limit_ml = limits.titrant_per_run_ml * RUN_CEILING_MARGIN
        seen.titrant_recent_ml = ledger.titrant_recent_ml
        seen.titrant_day_limit_ml = limits.titrant_per_day_ml
        seen.titrant_left_ml = ledger.titrant_left_ml.high
        seen.waste_high_ml = ledger.waste_ml.high
        seen.waste_room_ml = machine.waste_room_ml
        seen.storage_failed = self._account.storage_failed and not self._account.covered
        now_s = self._clock.monotonic()
        seen.overtime = self._under_way.overtime(now_s)
        seen.motions = self._under_way.motions
        self._in_drain.look(seen, now_s)
        seen.reading_limit_s = STALE_S
        seen.reading_age_s = self._under_way.reading_age_s(now_s)

    def _is_active(self, name: str, switch: Switch) -> bool:
        """Return what an input says; one that cannot be read is taken for open, and why is kept for the alert."""
        try:
            active = switch.is_active()
        except DriverError as error:
            self.unreadable[name] = f"{error.what}. {error.remedy}"
            return True
        if self.unreadable:
            self.unreadable.pop(name, None)
        return active
