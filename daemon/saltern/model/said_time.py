"""A time as a keeper says it: "yesterday 9:00", "2 h ago", "Tue 18:30", ISO 8601; by the clock where the tank is.

Times are also written for a keeper here, in words that read rightly today or next week.
"""

import re
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

UNITS = {
    "min": timedelta(minutes=1),
    "minute": timedelta(minutes=1),
    "minutes": timedelta(minutes=1),
    "h": timedelta(hours=1),
    "hour": timedelta(hours=1),
    "hours": timedelta(hours=1),
    "d": timedelta(days=1),
    "day": timedelta(days=1),
    "days": timedelta(days=1),
}
DAYS_BACK = {"today": 0, "yesterday": 1}
WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
AGO = re.compile(r"(\d{1,4}(?:\.\d{1,3})?)\s*([a-z]+)\s+ago")
OF_A_DAY = re.compile(r"(?:([a-z]+)\s+)?(\d{1,2}):(\d{2})", re.ASCII)
FORMS = "'9:00', 'yesterday 9:00', 'tue 18:30', '2 h ago', '2026-03-02 09:00', or ISO 8601 with an offset"


def written_time(at: datetime, zone: str) -> str:
    """Return for example "Tue 10 Mar 14:03", by the clock where the tank is (a name of the time-zone database)."""
    return f"{at.astimezone(ZoneInfo(zone)):%a %d %b %H:%M}"


def said_time(text: str, now: datetime, zone: ZoneInfo) -> datetime:
    """Return the moment that a text means, seen from now; a time of day alone is the last one that has come.

    Raises
    ------
    ValueError
        It means none, or one that the clock left out when it was set forward.
    """
    said = text.strip().lower()
    if said == "now":
        return now
    ago = AGO.fullmatch(said)
    if ago is not None and ago[2] in UNITS:
        return now - float(ago[1]) * UNITS[ago[2]]
    of_a_day = OF_A_DAY.fullmatch(said)
    if of_a_day is not None:
        return _of_a_day(text, of_a_day, now, zone)
    try:
        at = datetime.fromisoformat(text.strip())
    except ValueError:
        msg = f"{text!r} is not a time"
        raise ValueError(msg) from None
    return at if at.tzinfo is not None else _there(at, zone)


def _of_a_day(text: str, said: "re.Match[str]", now: datetime, zone: ZoneInfo) -> datetime:
    """Return a time of a day: of today, yesterday, a weekday of the last seven days, or the last that has come."""
    hour, minute, today = int(said[2]), int(said[3]), now.astimezone(zone).date()
    if hour > 23 or minute > 59:
        msg = f"{text!r} is not a time of the day"
        raise ValueError(msg)
    word = said[1]
    if word is None:
        day = today if _there(_on(today, hour, minute), zone) <= now else today - timedelta(days=1)
    elif word in DAYS_BACK:
        day = today - timedelta(days=DAYS_BACK[word])
    elif word[:3] in WEEKDAYS:
        day = today - timedelta(days=(today.weekday() - WEEKDAYS.index(word[:3])) % 7)
        if _there(_on(day, hour, minute), zone) > now:
            day -= timedelta(days=7)
    else:
        msg = f"{text!r} is not a time: {word!r} is not a day"
        raise ValueError(msg)
    return _there(_on(day, hour, minute), zone)


def _on(day: date, hour: int, minute: int) -> datetime:
    return datetime.combine(day, time(hour, minute))


def _there(naive: datetime, zone: ZoneInfo) -> datetime:
    """Return a time by the clock of a zone; of one that comes twice, the first."""
    try:
        at = naive.replace(tzinfo=zone)
        if at.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != naive:
            msg = f"{naive:%Y-%m-%d %H:%M} did not come in {zone.key}: the clock was set forward over it"
            raise ValueError(msg)
    except OverflowError:
        msg = f"{naive} is not a time that a calendar has everywhere"
        raise ValueError(msg) from None
    return at.astimezone(UTC)
