"""The tank against the keeper's bands: alkalinity with a second band that asks to act now, salinity, pH, slope, jumps.

A value that lies inside a limit by less than its own uncertainty neither raises nor ends an alert: at a limit, chance
would do both by turns.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from typing import NamedTuple
from zoneinfo import ZoneInfo

from saltern.chemistry.alkalinity_unit import AlkalinityUnit, said, said_with_u
from saltern.chemistry.units import umol_kg_to_dkh
from saltern.config.tables import BenchConfig
from saltern.model.determination import Determination
from saltern.model.logbook import Dose, Logged, WaterChange
from saltern.model.parts import u_of_change
from saltern.model.said_time import written_time
from saltern.model.verdict import REPORTABLE, Quantity, Verdict
from saltern.running.watch.watched import Watched
from saltern.tank.trend import trend_of

FAR_DKH = 1.0
"""So far outside the band asks to act now, where the keeper gave no limits: one German degree harms corals."""

TWICE_WITHIN = timedelta(hours=3)
"""Two determinations so near to each other look at the same water."""

AGREES = 3.0
"""Standard uncertainties of a difference within which two determinations agree."""

JUMP_SEEN_FOR, JUMP_LOOKED_FOR = timedelta(hours=24), timedelta(hours=72)
"""A jump is news for a day; so far back it is still known that there was one."""

USUAL_SALINITY = 35.0
SALINITY_STEP, PH_STEP = 1.0, 0.1


class Band(NamedTuple):
    """Limits of alkalinity, dKH; None where there is none."""

    act_low: float | None
    low: float | None
    high: float | None
    act_high: float | None


def band_of(config: BenchConfig) -> Band:
    """Return the alerts' own limits, or those of the tank's table; what asks to act now lies 1 dKH outside."""
    rules, tank = config.alerts, config.tank
    low = rules.low_dkh if rules.low_dkh is not None or tank is None else tank.low_dkh
    high = rules.high_dkh if rules.high_dkh is not None or tank is None else tank.high_dkh
    act_low = rules.act_low_dkh if rules.act_low_dkh is not None or low is None else low - FAR_DKH
    act_high = rules.act_high_dkh if rules.act_high_dkh is not None or high is None else high + FAR_DKH
    return Band(act_low, low, high, act_high)


@dataclass(frozen=True)
class Looked:
    """What is looked at.

    Parameters
    ----------
    config
        The keeper's limits, unit and clock.
    past
        Reportable results of the tank, oldest first; the newest is the one that is looked at.
    before
        The tank's determination just before the newest, whatever its verdict; None where there is none.
    logged
        What the keeper wrote down in the last days.
    now
        The time.
    """

    config: BenchConfig
    past: Sequence[Determination]
    before: Determination | None
    logged: Sequence[Logged]
    now: datetime

    @property
    def newest(self) -> Determination:
        return self.past[-1]

    @property
    def salinity(self) -> float:
        return self.newest.salinity.value or USUAL_SALINITY

    @property
    def unit(self) -> AlkalinityUnit:
        return self.config.alkalinity_unit

    def words(self, dkh: float, *, signed: bool = False) -> str:
        return said(dkh, self.unit, self.salinity, signed=signed)

    def clock(self, at: datetime) -> str:
        """Return a time as the keeper's clock shows it, for example "15:34", and with its day if that is another."""
        zone = ZoneInfo(self.config.schedule.time_zone)
        local, today = at.astimezone(zone), self.now.astimezone(zone).date()
        return f"{local:%H:%M}" if local.date() == today else written_time(at, zone.key)


def of_bands(looked: Looked) -> Iterator[Watched]:
    """Check the newest result of the tank."""
    if not looked.past or looked.newest.alkalinity.value is None:
        return
    yield from _of_alkalinity(looked)
    yield from _of_change(looked)
    yield _of_jump(looked, "alkalinity-rose", 1.0)
    yield _of_jump(looked, "alkalinity-fell", -1.0)
    rules = looked.config.alerts
    salinity, ph = looked.newest.salinity, looked.newest.ph_total
    yield from _of_quantity(looked, salinity, "salinity", rules.low_salinity, rules.high_salinity, 2, SALINITY_STEP)
    yield from _of_quantity(looked, ph, "ph", rules.low_ph, rules.high_ph, 2, PH_STEP)


# Alkalinity ---------------------------------------------------------------------------


def _of_alkalinity(looked: Looked) -> Iterator[Watched]:
    dkh, u_dkh = _dkh(looked.newest), _u_dkh(looked.newest)
    band, step = band_of(looked.config), looked.config.alerts.worse_dkh
    inside = f"alkalinity is {looked.words(dkh)} now ({looked.clock(looked.newest.started_at)})"
    for side, limit, far, off in (("low", band.low, band.act_low, -1.0), ("high", band.high, band.act_high, 1.0)):
        beyond = _beyond(dkh, limit, off, u_dkh)
        much = _beyond(dkh, far, off, u_dkh)
        text = _text(looked, dkh, limit if not much else far, side, much=bool(much))
        steps = 0.0 if limit is None else off * (dkh - limit) / step
        mild = False if much else beyond
        over = "" if much else f"{inside}, back inside its band"
        no_longer_far = f"{inside}: no longer so far out that you must act now"
        yield Watched(mild, f"alkalinity-{side}", text, steps, over)
        yield Watched(much, f"alkalinity-far-{side}", text, steps, over if beyond is False else no_longer_far)


def _beyond(value: float, limit: float | None, off: float, u: float) -> bool | None:
    """Return whether a value lies outside; None where it is inside by less than its uncertainty (k = 1)."""
    if limit is None:
        return False
    outside = off * (value - limit)
    return True if outside > 0.0 else None if outside > -u else False


def _text(looked: Looked, dkh: float, limit: float | None, side: str, *, much: bool) -> str:
    """Say the newest number, what it is beyond, the slope, since when it is the extreme, and how often it was seen."""
    if limit is None:
        return ""
    words = [
        f"alkalinity is {looked.words(dkh)} ({looked.clock(looked.newest.started_at)}), "
        f"{'below' if side == 'low' else 'above'} {looked.words(limit)}{': act now' if much else ''}"
    ]
    line = trend_of([d for d in looked.past if d.started_at >= looked.newest.started_at - timedelta(days=1)])
    if line is not None:
        a_day = umol_kg_to_dkh(line.umol_kg_per_day, looked.salinity)
        u = umol_kg_to_dkh(line.u_umol_kg_per_day, looked.salinity)
        words.append(f"{said_with_u(a_day, u, looked.unit, looked.salinity, signed=True)} a day over the last day")
    extreme = _since_when_extreme(looked, dkh, side)
    if extreme:
        words.append(extreme)
    words.append("measured twice" if _seen_twice(looked) else "measured once")
    return "; ".join(words)


def _since_when_extreme(looked: Looked, dkh: float, side: str) -> str:
    name = "lowest" if side == "low" else "highest"
    more_so = [
        d
        for d in looked.past[:-1]
        if d.alkalinity.value is not None and ((_dkh(d) <= dkh) if side == "low" else (_dkh(d) >= dkh))
    ]
    if more_so:
        since = more_so[-1].started_at
        return "" if since == looked.past[-2].started_at else f"the {name} since {looked.clock(since)}"
    days = (looked.newest.started_at - looked.past[0].started_at).total_seconds() / 86400.0
    return f"the {name} in {days:.0f} days" if days >= 1.5 else ""


def _seen_twice(looked: Looked) -> bool:
    """Return whether the determination just before, accepted or not, looked at the same water and agrees."""
    newest, before = looked.newest, looked.before
    if before is None or before.alkalinity.value is None or newest.started_at - before.started_at > TWICE_WITHIN:
        return False
    return _agree(before, newest)


def after_doubt(looked: Looked) -> str:
    """Return what became of a suspect result, once the newest is accepted: confirmed, or a false alarm."""
    before = looked.before
    if not looked.past or before is None or before.alkalinity.verdict is not Verdict.SUSPECT:
        return ""
    now = f"{looked.words(_dkh(looked.newest))} ({looked.clock(looked.newest.started_at)})"
    if before.alkalinity.value is None:
        return f"What was measured since is accepted: {now}"
    was = looked.words(_dkh(before))
    if _agree(before, looked.newest):
        return f"The value is confirmed: measured again it is {now}, after {was}, and both agree"
    return f"A false alarm: measured again it is {now}, and not {was}"


def _agree(a: Determination, b: Determination) -> bool:
    apart = abs((a.alkalinity.value or 0.0) - (b.alkalinity.value or 0.0))
    return apart <= AGREES * u_of_change(a.alkalinity.in_parts(), b.alkalinity.in_parts())


# How it moves -------------------------------------------------------------------------


def _of_change(looked: Looked) -> Iterator[Watched]:
    rule = looked.config.alerts.change_dkh_per_day
    line = trend_of([d for d in looked.past if d.started_at >= looked.now - timedelta(days=1)])
    if rule is None or line is None:
        return
    a_day = umol_kg_to_dkh(line.umol_kg_per_day, looked.salinity)
    u = umol_kg_to_dkh(line.u_umol_kg_per_day, looked.salinity)
    newest = looked.words(_dkh(looked.newest))
    said_slope = said_with_u(a_day, u, looked.unit, looked.salinity, signed=True)
    yield Watched(
        abs(a_day) > 2.0 * u and abs(a_day) > rule,
        "alkalinity-changing",
        f"alkalinity changes by {said_slope} a day, now {newest}: check dosing and salinity",
        abs(a_day) / rule,
        f"alkalinity changes by {said_slope} a day, now {newest}",
    )


def _of_jump(looked: Looked, code: str, off: float) -> Watched:
    """Look for a jump to one side that is still there, was seen twice, and that nothing written down explains."""
    newest = looked.newest
    now = f"alkalinity is {looked.words(_dkh(newest))} ({looked.clock(newest.started_at)})"
    for before, first in pairwise(looked.past):
        if first.started_at < newest.started_at - JUMP_LOOKED_FOR:
            continue
        at_once, there_still = _jump(looked, before, first), _jump(looked, before, newest)
        if at_once is None or there_still is None or off * at_once < 0.0 or off * there_still < 0.0:
            continue
        explained = _explained(looked, before.started_at, first.started_at, there_still)
        if explained:
            return Watched(False, code, "", 0.0, f"{now}; it is explained by the {explained} written down since")
        if first.started_at <= newest.started_at - JUMP_SEEN_FOR:
            return Watched(False, code, "", 0.0, f"{now}: it has stayed there for a day. Log what it was, if you know")
        if first is newest and not _seen_twice(looked):
            return Watched(None, code, "", 0.0)
        since = looked.clock(before.started_at)
        text = (
            f"alkalinity {'rose' if off > 0.0 else 'fell'} by {looked.words(abs(there_still))} since {since}, first "
            f"seen {looked.clock(first.started_at)}, now {looked.words(_dkh(newest))}, measured twice: act now, "
            f"{'is a doser stuck?' if off > 0.0 else 'did water run in, or was some changed?'}"
        )
        return Watched(True, code, text, abs(there_still) / looked.config.alerts.worse_dkh)
    return Watched(False, code, "", 0.0, f"{now}: it is not there any more")


def _jump(looked: Looked, before: Determination, after: Determination) -> float | None:
    """Return a change that is more than the tank may do in the time and than chance does; None where it is not."""
    if before.alkalinity.value is None or after.alkalinity.value is None:
        return None
    rules, change = looked.config.alerts, _dkh(after) - _dkh(before)
    days = (after.started_at - before.started_at).total_seconds() / 86400.0
    per_umol_kg = umol_kg_to_dkh(1.0, looked.salinity)
    u = per_umol_kg * u_of_change(before.alkalinity.in_parts(), after.alkalinity.in_parts())
    allowed = rules.jump_dkh + rules.most_dkh_per_day * days
    return change if abs(change) > max(allowed, AGREES * u) else None


def _explained(looked: Looked, begin: datetime, end: datetime, change_dkh: float) -> str:
    """Return what of the log lies between: a dose explains a rise, a water change either."""
    for one in looked.logged:
        if begin <= one.at <= end:
            if isinstance(one.entry, WaterChange):
                return "water change"
            if isinstance(one.entry, Dose) and change_dkh > 0.0:
                return "dose"
    return ""


def _dkh(d: Determination) -> float:
    return umol_kg_to_dkh(d.alkalinity.value or 0.0, d.salinity.value or USUAL_SALINITY)


def _u_dkh(d: Determination) -> float:
    return umol_kg_to_dkh(d.alkalinity.u or 0.0, d.salinity.value or USUAL_SALINITY)


# Salinity and pH ----------------------------------------------------------------------


def _of_quantity(
    looked: Looked,
    quantity: Quantity,
    name: str,
    low: float | None,
    high: float | None,
    digits: int,
    step: float,
) -> Iterator[Watched]:
    if quantity.value is None or quantity.verdict not in REPORTABLE:
        return
    spoken = "pH (total scale)" if name == "ph" else name
    value = f"{spoken} is {quantity.value:.{digits}f} ({looked.clock(looked.newest.started_at)})"
    for side, limit, off in (("low", low, -1.0), ("high", high, 1.0)):
        text = "" if limit is None else f"{value}, {'below' if side == 'low' else 'above'} {limit:g}"
        steps = 0.0 if limit is None else off * (quantity.value - limit) / step
        beyond = _beyond(quantity.value, limit, off, quantity.u or 0.0)
        yield Watched(beyond, f"{name}-{side}", text, steps, f"{value}, back inside its band")
