"""How a time looks to a keeper: by the bench's own clock, and how long ago or ahead."""

from datetime import datetime
from zoneinfo import ZoneInfo

MINUTE_S, HOUR_S, DAY_S = 60.0, 3600.0, 86400.0
NEAR = {0: "today", -1: "yesterday", 1: "tomorrow"}


def by_the_clock(at: datetime, now: datetime, zone: ZoneInfo) -> str:
    """Return for example "today 16:00", "Tue 24 Nov 16:00", and with its year what lies in another one."""
    local, today = at.astimezone(zone), now.astimezone(zone).date()
    near = NEAR.get((local.date() - today).days)
    if near is not None:
        return f"{near} {local:%H:%M}"
    return f"{local:%a %d %b %H:%M}" if local.year == today.year else f"{local:%d %b %Y %H:%M}"


def short(at: datetime, now: datetime, zone: ZoneInfo) -> str:
    """Return for example "24 Nov 16:00", for a column; of another year the date alone."""
    local = at.astimezone(zone)
    return f"{local:%d %b %H:%M}" if local.year == now.astimezone(zone).year else f"{local:%d %b %Y}"


def relative(at: datetime, now: datetime) -> str:
    """Return for example "in 52 min" or "2 h ago"."""
    ahead_s = (at - now).total_seconds()
    away_s = abs(ahead_s)
    if away_s < 0.5 * MINUTE_S:
        return "now"
    if away_s < 90.0 * MINUTE_S:
        words = f"{away_s / MINUTE_S:.0f} min"
    elif away_s < 36.0 * HOUR_S:
        words = f"{away_s / HOUR_S:.0f} h"
    else:
        words = f"{away_s / DAY_S:.0f} days"
    return f"in {words}" if ahead_s > 0.0 else f"{words} ago"


def moment(at_utc: str, now: datetime, zone: ZoneInfo) -> str:
    """Return a time of JSON in both ways, for example "today 16:00, in 52 min"."""
    at = datetime.fromisoformat(at_utc)
    return f"{by_the_clock(at, now, zone)}, {relative(at, now)}"
