"""When a determination is due: a pure function of times. Waking is somebody else's."""

from datetime import datetime, timedelta


def is_due(now: datetime, last_started: datetime | None, every: timedelta) -> bool:
    """Return whether a determination should start now.

    Parameters
    ----------
    now, last_started
        Aware times; `last_started` is None before the first.
    every
        The interval from start to start.

    Notes
    -----
    A clock that was stepped back leaves `last_started` in the future. Waiting until then could mean
    waiting for years, so more than one interval ahead counts as a stepped clock, and due.
    """
    if last_started is None:
        return True
    since = now - last_started
    return since >= every or since < -every


def next_due(last_started: datetime | None, every: timedelta, now: datetime) -> datetime:
    """Return when the next determination will start, if nothing else happens."""
    if is_due(now, last_started, every) or last_started is None:
        return now
    return last_started + every
