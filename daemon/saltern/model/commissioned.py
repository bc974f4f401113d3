"""That a bench may be used: somebody has tried where its lines lead, and that its floats act."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Commissioned:
    """Who said so, when and why; `at_utc` is None where nobody had to."""

    at_utc: str | None
    who: str
    why: str
