"""When an alert that stands was raised and last sent, from the records: what a new life of the service goes on from."""

from dataclasses import dataclass
from datetime import datetime

from saltern.records.store import Store, alert_of

MOST_LOOKED_AT = 400
"""Rows of one code: half a year of repeats."""


@dataclass(frozen=True)
class Sent:
    """When an alert was raised, and when it was last sent."""

    raised_at: datetime
    sent_at: datetime


def last_sent(store: Store, code: str, again: tuple[str, ...]) -> Sent | None:
    """Return when an alert was last raised; None where it never was, or where it was taken back since.

    Parameters
    ----------
    store, code
        The records, and which alert.
    again
        What the text of one that is sent again begins with.
    """
    rows = store.each("alert", alert_of, "WHERE code = ? ORDER BY id DESC", (code,), limit=MOST_LOOKED_AT)
    if not rows:
        return None
    raised = next((alert for _, alert in rows if not alert.text.startswith(again)), rows[-1][1])
    over = store.each(
        "alert",
        alert_of,
        "WHERE code = 'withdrawn' AND id > ? AND text LIKE ? ORDER BY id DESC",
        (rows[0][0], f"over: {code}, %"),
        limit=1,
    )
    return None if over else Sent(raised.at, rows[0][1].at)
