"""What the keeper is alerted to: severities of RFC 5424 inside, plain words outside."""

from dataclasses import dataclass
from datetime import datetime
from enum import IntEnum


class Severity(IntEnum):
    """RFC 5424, section 6.2.1, table 2."""

    EMERGENCY = 0
    ALERT = 1
    CRITICAL = 2
    ERROR = 3
    WARNING = 4
    NOTICE = 5
    INFORMATIONAL = 6
    DEBUG = 7

    @property
    def label(self) -> str:
        return self.name.lower()

    @property
    def for_the_keeper(self) -> str:
        """Return what it asks of the keeper."""
        if self <= Severity.CRITICAL:
            return "act now"
        return "look today" if self <= Severity.WARNING else "for information"


@dataclass(frozen=True)
class Alert:
    """One alert, raised once."""

    at: datetime
    at_s: float  # monotonic
    severity: Severity
    code: str
    text: str
