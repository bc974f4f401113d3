"""One thing that was looked at: whether it stands, and what the keeper is told of it."""

from typing import NamedTuple


class Watched(NamedTuple):
    """Whether something stands, its code, and words for the keeper."""

    stands: bool
    code: str
    text: str
