"""What else the records know of bench and tank beside results: bottles, calibrations, wear, weighings, salinity.

It distinguishes causes that leave the same signature in results.
"""

from datetime import datetime
from statistics import median

from saltern.config.tables import BenchConfig, Part
from saltern.config.tank import TankTable
from saltern.model.calibration import Kind
from saltern.model.determination import Determination
from saltern.model.usage import Usage
from saltern.model.verdict import REPORTABLE
from saltern.records.calibrations import ACCEPTED, Kept
from saltern.records.calibrations import history as calibrations
from saltern.records.store import Store
from saltern.records.tank_history import Known
from saltern.records.upkeep import Installed, installed, usage
from saltern.running.watch.parts import worn
from saltern.tank.findings import Circumstances, SalinitySeen, Weighing

UNKNOWN_WEAR = 0.5
"""A tube whose age nobody said is taken as half worn (assumed)."""

BOTTLE = "titrant bottle"
BALANCE_U = 0.002
"""Of a fill by the balance, relative (assumed)."""

LEAST_WEIGHED = 5


def circumstances(store: Store, config: BenchConfig, tank: TankTable, found: Known, until: datetime) -> Circumstances:
    """Return what else is known, as findings read it.

    Parameters
    ----------
    store, config, tank
        The records, the bench file, its table of the tank.
    found
        The history of the tank: its days count.
    until
        What was done later does not count.
    """
    known, turned = installed(store), usage(store)
    kept = [one for one in calibrations(store, None) if one.outcome == ACCEPTED and one.at <= until]
    anew = (Kind.TITRE, Kind.TITRANT_PUMP, Kind.SAMPLE_PUMP)
    return Circumstances(
        new_bottles_d=tuple(
            found.day_of(at)
            for at in (
                *(one.at for one in kept if one.kind is Kind.TITRANT),
                *((known[BOTTLE].at,) if BOTTLE in known and known[BOTTLE].at <= until else ()),
            )
        ),
        recalibrations_d=tuple(found.day_of(one.at) for one in kept if one.kind in anew),
        sample_tube_used=_used("sample", config, known, turned, found),
        titrant_tube_used=_used("titrant", config, known, turned, found),
        titrant_weighed=_weighed(kept, found, Kind.TITRANT_PUMP, "titrant"),
        sample_weighed=(
            *_weighed(kept, found, Kind.SAMPLE_PUMP, "sample"),
            *_by_the_balance(config, found),
        ),
        salinity=tuple(
            SalinitySeen(found.day_of(d.started_at), d.salinity.value, d.salinity.u or 0.1)
            for d in found.results
            if d.salinity.value is not None and d.salinity.verdict in REPORTABLE
        ),
        a_run_ml=1000.0 * found.priors.sample_part * tank.volume_l,
    )


def _used(pump: str, config: BenchConfig, known: dict[str, Installed], turned: dict[str, Usage], found: Known) -> float:
    """Return the part of its life that a pump's tube has behind it."""
    parts = [(name, part) for name, part in config.parts.items() if part.pump == pump and name in known]
    return max((_part_used(part, known[name], turned, found) for name, part in parts), default=UNKNOWN_WEAR)


def _part_used(part: Part, since: Installed, turned: dict[str, Usage], found: Known) -> float:
    went = worn(part, since, turned)
    days = (found.results[-1].started_at - since.at).total_seconds() / 86400.0
    lives = [
        max(0.0, days) / part.life_days,
        0.0 if part.life_hours is None else went.running_s / 3600.0 / part.life_hours,
        0.0 if part.life_litres is None else went.volume_ml / 1000.0 / part.life_litres,
    ]
    return max(lives)


def _weighed(kept: list[Kept], found: Known, kind: Kind, pump: str) -> tuple[Weighing, ...]:
    """Return what each calibration of a pump found against the one before it."""
    name, weighings = f"pumps.{pump}.ml_per_unit", []
    for one in kept:
        now, before = one.values.get(name), one.before.get(name)
        if one.kind is kind and isinstance(now, float) and isinstance(before, float) and before > 0.0:
            u = one.statistics.get("u_percent", 1.0) / 100.0
            weighings.append(Weighing(found.day_of(one.at), now / before - 1.0, max(u, 1e-4)))
    return tuple(sorted(weighings, key=lambda each: each.at_d))


def _by_the_balance(config: BenchConfig, found: Known) -> tuple[Weighing, ...]:
    """Return what the balance under the vessel says of the last fills, where there is one."""
    name, counted = "weighed.sample_ml_per_unit", config.pumps.sample.ml_per_unit
    last = [d for d in found.results if name in d.calibrated][-LEAST_WEIGHED:]
    if len(last) < LEAST_WEIGHED:
        return ()
    excess = median(_gain(d, name) for d in last) / counted - 1.0
    return (Weighing(found.day_of(last[-1].started_at), excess, BALANCE_U),)


def _gain(d: Determination, name: str) -> float:
    return float(d.calibrated[name] or 0.0)
