"""Alerts that stood when the last process ended, from the records: the newest results say whether they still do.

What scans, ports and stores say is looked at anew by whoever looks at it; a result is looked at once, when it comes.
"""

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime, timedelta

from saltern.config.tables import BenchConfig
from saltern.model import codes
from saltern.model.alert import Alert, Severity
from saltern.model.determination import Determination, Notice, Source
from saltern.ports import Clock
from saltern.records.alerts_sent import last_sent
from saltern.records.store import Store
from saltern.records.upkeep import keep_state, state
from saltern.running.alerting import STILL, WORSE, Alerting
from saltern.running.watch.bands import JUMP_LOOKED_FOR, Looked, of_bands
from saltern.running.watch.calibrations import WEIGHED_RESULTS, of_weighed
from saltern.running.watch.outcome import of_outcome
from saltern.running.watch.watched import Watched

TREND_RESULTS = 60
ACKNOWLEDGED = "acknowledged"
REMEMBERED_FOR = timedelta(days=90)


def looked_at(store: Store, config: BenchConfig, now: datetime) -> Looked:
    """Return what the newest result of the tank is looked at with."""
    past = store.reportable(Source.TANK, TREND_RESULTS)
    newest = past[-1].started_at if past else now
    tank = [d for _, d in store.results(TREND_RESULTS) if d.source is Source.TANK and d.started_at < newest]
    return Looked(config, past, tank[0] if tank else None, store.logged(newest - 2 * JUMP_LOOKED_FOR), now)


def last_result_s(store: Store, clock: Clock) -> float:
    """Return when the tank's newest result came, on the monotonic clock; now, where there is none."""
    newest = store.reportable(Source.TANK, 1)
    if not newest:
        return clock.monotonic()
    took_s = newest[-1].finished_s - newest[-1].started_s
    return clock.monotonic() - max(0.0, (clock.now() - newest[-1].started_at).total_seconds() - took_s)


def take_up_standing(store: Store, config: BenchConfig, alerting: Alerting, clock: Clock) -> None:
    """Let alerts of results stand again that the records raised before; raise those that they did not."""
    for found in _of_the_records(store, config, clock.now()):
        take_up(store, alerting, clock, found)


def take_up(store: Store, alerting: Alerting, clock: Clock, found: Watched) -> None:
    """Let one alert stand again, where what was looked at does not say that it is over."""
    now, now_s = clock.now(), clock.monotonic()
    if found.stands is False:
        return
    sent = last_sent(store, found.code, (STILL, WORSE))
    if sent is not None:
        severity = codes.of_alert(found.code).severity or Severity.ERROR
        ago_s = max(0.0, (now - sent.sent_at).total_seconds())
        raised = Alert(sent.raised_at, now_s, severity, found.code, found.text)
        seen_at = acknowledged(store).get(found.code)
        seen = seen_at is not None and seen_at >= sent.sent_at
        alerting.take_up(raised, now_s - ago_s, found.steps, acknowledged=seen)
    elif found.stands:
        alerting.stands(*found)


def keep_acknowledged(store: Store, code: str, at: datetime) -> None:
    """Keep that somebody took note of an alert, for the next life of the service."""
    known = {other: when.isoformat() for other, when in acknowledged(store).items() if at - when < REMEMBERED_FOR}
    keep_state(store, ACKNOWLEDGED, {**known, code: at.isoformat()}, at)


def acknowledged(store: Store) -> dict[str, datetime]:
    """Return when somebody last took note of each alert."""
    kept = state(store, ACKNOWLEDGED)
    return {str(code): datetime.fromisoformat(str(at)) for code, at in kept.items()} if isinstance(kept, dict) else {}


def _of_the_records(store: Store, config: BenchConfig, now: datetime) -> Iterable[Watched]:
    looked = looked_at(store, config, now)
    if looked.past:
        yield from of_weighed(config, looked.past[-WEIGHED_RESULTS:])
        yield from of_bands(looked)
    newest = next((d for _, d in store.results(TREND_RESULTS) if d.source is Source.TANK), None)
    if newest is not None:
        yield from of_outcome(_with_what_was_noticed(newest))


def _with_what_was_noticed(d: Determination) -> Determination:
    """Return a determination from the records with what its remarks say that was noticed: that is not kept apart."""
    noticed = {
        code: remark.split(": ", 1)[1]
        for code in Notice
        for remark in d.remarks
        if remark.startswith(f"{code.value}: ")
    }
    return replace(d, noticed={**noticed, **d.noticed})
