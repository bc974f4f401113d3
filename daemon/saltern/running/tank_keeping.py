"""Looks at the tank after each result, in a thread of its own, and keeps what it finds: a day, findings, an alert.

Filtering takes from a tenth of a second to some seconds on a small computer: it must hold up no scan. What comes of it
goes to the control thread, which alone writes.
"""

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

import structlog

from saltern.chemistry.endpoint.curve import Estimate
from saltern.config.tables import BenchConfig
from saltern.config.tank import TankTable
from saltern.errors import StorageError
from saltern.model.alert import Severity
from saltern.records.store import Store
from saltern.records.tank_history import known
from saltern.records.tank_records import Day, findings, keep_tank, last_kept, next_finding
from saltern.report.finding_words import in_words
from saltern.running.circumstances import circumstances
from saltern.running.leaving import of_leaving
from saltern.running.service import Service
from saltern.running.standing_again import take_up
from saltern.running.tank_picture import Picture, as_json, picture, pictured
from saltern.running.watch.watched import Watched
from saltern.running.when_asked import WhenAsked
from saltern.tank.consumption import LOOK_BACK_D
from saltern.tank.findings import Finding, look

NEWS_D = 5.0
"""What was found longer ago, in results that nothing had looked at yet, as after an upgrade, is kept and shown, and is
not news. All that count are looked at: what nobody found weeks ago would be taken for something else today."""

JUMPED = ("alkalinity-rose", "alkalinity-fell")
JUST_AFTER_D = 1e-3
WEEK_D, DAY_D = 7.0, 1.0


class Looked:
    """What a look at the tank came to: a day as it stands, what is ahead, and new findings with their words."""

    def __init__(self, seen: Picture, ahead: Watched, day: Day, new: list[Finding], words: list[str]) -> None:
        self.seen, self.ahead, self.found = seen, ahead, seen.known
        self.day, self.new, self.words = day, new, words

    def keep(self, store: Store) -> None:
        keep_tank(store, self.day, self.new, self.found)


def look_at_tank(reader: Store, config: BenchConfig, tank: TankTable, now: datetime) -> Looked | None:
    """Check results that nothing has looked at yet, each as it stood when it came; None where there is none.

    Parameters
    ----------
    reader, config, tank, now
        The records, read alone; the bench file and its table of the tank; the time.
    """
    found = known(reader, config, tank, now)
    if found is None:
        return None
    last = last_kept(reader)
    newest = found.results[-1].started_at
    if last is not None and newest <= last:
        return None
    since_d = found.day_of(newest) - LOOK_BACK_D if last is None else found.day_of(last) + JUST_AFTER_D
    reported, before = findings(reader, found, now), circumstances(reader, config, tank, found, now)
    new: list[Finding] = []
    for each in found.history.seen:
        if each.at_d >= since_d:
            one = look(found.history, found.priors, each.at_d + JUST_AFTER_D, [*reported, *new], before)
            new += [] if one is None else [replace(one, id=next_finding(reader) + len(new))]
    seen = pictured(found, tank, now, [*reported, *new])
    zone, salinity = ZoneInfo(config.schedule.time_zone), found.salinity
    logged = reader.logged(found.midnight)
    words = [
        in_words(one, found.time_of(one.since_d), [*reported, *new], logged, zone, config.alkalinity_unit, salinity)
        for one in new
    ]
    return Looked(seen, of_leaving(seen, config), _day(seen, zone), new, words)


def _day(picture: Picture, zone: ZoneInfo) -> Day:
    newest = picture.known.results[-1].started_at
    local = newest.astimezone(zone).date()
    taken, word = picture.consumption, picture.advice
    said = taken is not None and not taken.too_early
    week = taken.windows[WEEK_D] if taken is not None and said else None
    alkalinity = taken.windows[DAY_D].alkalinity_dkh if taken is not None and said else None
    consumed = None if week is None else week.consumption_dkh_per_day
    net = None if week is None else week.net_dkh_per_day
    return Day(
        local.isoformat(),
        newest,
        sum(each.started_at.astimezone(zone).date() == local for each in picture.known.results),
        *_pair(alkalinity),
        *_pair(consumed),
        *_pair(net),
        word.dose_dkh_per_day,
        word.correction_dkh,
        None if word.withheld_because is None else word.withheld_because.value,
    )


def _pair(estimate: Estimate | None) -> tuple[float | None, float | None]:
    return (None, None) if estimate is None else (float(estimate.value), float(estimate.u))


def tank_keeping(service: Service, reader: Store) -> WhenAsked:
    """Return what looks at the tank when it is asked to, and at the start at what came while the service was down.

    Parameters
    ----------
    service
        The running bench: its bench file, its clock, and the control thread that writes.
    reader
        A connection to its records for reading alone, of its thread's own.
    """

    def look() -> None:
        config = service.config
        if config.tank is None:
            return
        now = service.clock.now()
        looked = look_at_tank(reader, config, config.tank, now)
        if looked is not None:
            service.tank_seen.take(as_json(looked.seen, config.tank), config.tank)
            service.mailbox.put_for_records(keeping(service, looked))
        elif not service.tank_seen.knows(config.tank):
            seen = picture(reader, config, now)
            if seen is not None:
                again = standing_again if service.tank_seen.empty else warning  # else band or target have changed
                service.tank_seen.take(as_json(seen, config.tank), config.tank)
                service.mailbox.put_for_records(again(service, of_leaving(seen, config)))

    return WhenAsked("tank", look)


def keeping(service: Service, looked: Looked) -> Callable[[], None]:
    """Return what the control thread does with a look: it keeps it, and reports what is new; it never raises."""

    def keep() -> None:
        try:
            looked.keep(service.store)
        except StorageError as error:  # it is found again at the next result
            structlog.get_logger("saltern.tank").error("tank.not_kept", what=error.what, remedy=error.remedy)
            return
        newest_d = looked.found.history.seen[-1].at_d
        for one, words in zip(looked.new, looked.words, strict=True):
            if one.at_d < newest_d - NEWS_D:
                continue
            severity = Severity.NOTICE if one.shape is None else None  # a false alarm asks for nothing
            service.alerting.once("tank-finding", f"finding {one.id}: {words}", severity)
        warning(service, looked.ahead)()

    return keep


def warning(service: Service, ahead: Watched) -> Callable[[], None]:
    """Return what the control thread does with what is ahead: it warns, or takes a warning back."""

    def warn() -> None:
        jumped = ahead.stands and any(alert.code in JUMPED for alert in service.alerting.standing)
        # a jump is no slope: what it was is found with the next results
        service.alerting.stands(*(ahead._replace(stands=None) if jumped else ahead))

    return warn


def standing_again(service: Service, ahead: Watched) -> Callable[[], None]:
    """Return what the control thread does with a warning that stood before the start; it never raises."""

    def take() -> None:
        try:
            take_up(service.store, service.alerting, service.clock, ahead)
        except StorageError as error:  # the next result looks again
            structlog.get_logger("saltern.tank").error("tank.not_taken_up", what=error.what, remedy=error.remedy)

    return take
