"""One thing that was looked at: whether it stands, and what the keeper is told of it."""

from typing import NamedTuple

from saltern.model.alert import Severity


class Watched(NamedTuple):
    """Whether something stands, how severe it is, its code, and words for the keeper."""

    stands: bool
    severity: Severity
    code: str
    text: str
