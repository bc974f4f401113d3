"""A keeper's absence."""

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True)
class Away:
    """A keeper is away until then; meanwhile determinations begin at least `gap_h` apart."""

    until: datetime
    gap_h: float
