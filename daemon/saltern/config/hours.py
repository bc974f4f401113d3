"""Spans of local time, such as quiet hours."""

from datetime import time


def is_within(local: time, spans: tuple[tuple[time, time], ...]) -> bool:
    """Return whether a local time lies in one of the spans, which may run past midnight."""
    return any(begin <= local < end if begin < end else local >= begin or local < end for begin, end in spans)
