"""A determination that has just come to its end: what of it the keeper is told."""

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta

from saltern.chemistry.units import umol_kg_to_dkh
from saltern.config.tables import Alerts
from saltern.model.determination import Determination, Notice, Source
from saltern.model.verdict import Verdict
from saltern.running.watch.watched import Watched
from saltern.tank.trend import trend_of


def of_outcome(outcome: Determination) -> Iterator[Watched]:
    """Look at how a run went."""
    verdict = outcome.alkalinity.verdict
    reasons = ", ".join(reason.value for reason in outcome.alkalinity.reasons)
    first = outcome.remarks[0] if outcome.remarks else ""
    yield Watched(verdict is Verdict.VOID, "determination-void", f"no result: {reasons}. {first}")
    yield Watched(verdict is Verdict.SUSPECT, "determination-suspect", f"a result not believed: {reasons}")
    step = outcome.noticed.get(Notice.STEP_UNEXPLAINED, "")
    measured = outcome.alkalinity.value is not None and outcome.source is Source.TANK
    if measured and (step or verdict is not Verdict.SUSPECT):
        yield Watched(bool(step), Notice.STEP_UNEXPLAINED.value, step)
    slow = outcome.noticed.get(Notice.ELECTRODE_SLOW, "")
    yield Watched(bool(slow), Notice.ELECTRODE_SLOW.value, slow)


def of_value(rules: Alerts, outcome: Determination, past: Sequence[Determination], now: datetime) -> Iterator[Watched]:
    """Look at a tank that leaves the keeper's band, or changes faster than the keeper wants.

    Parameters
    ----------
    rules, now
        What the keeper wants; the time.
    outcome
        The newest result, believed.
    past
        Believed results of the tank, the newest included.
    """
    if outcome.alkalinity.value is None:
        return
    salinity = outcome.salinity.value or 35.0
    dkh = umol_kg_to_dkh(outcome.alkalinity.value, salinity)
    for name, limit, off in (("low", rules.low_dkh, -1.0), ("high", rules.high_dkh, 1.0)):
        beyond = limit is not None and off * (dkh - limit) > 0.0
        text = f"alkalinity is {dkh:.2f} dKH, {name}er than {limit} dKH" if limit is not None else ""
        yield Watched(beyond, f"alkalinity-{name}", text)
    line = trend_of([d for d in past if d.started_at >= now - timedelta(days=1)])
    if rules.change_dkh_per_day is not None and line is not None:
        a_day = umol_kg_to_dkh(line.umol_kg_per_day, salinity)
        sure = abs(line.umol_kg_per_day) > 2.0 * line.u_umol_kg_per_day
        yield Watched(
            sure and abs(a_day) > rules.change_dkh_per_day,
            "alkalinity-changing",
            f"alkalinity changes by {a_day:+.2f} dKH a day: look at dosing and salinity",
        )
