"""One thing that was looked at: whether it stands, and the alert for it."""

from typing import NamedTuple


class Watched(NamedTuple):
    """What was seen of one thing, and words for the keeper.

    Attributes
    ----------
    stands
        None where it may be what is usual: what stands goes on to stand, and nothing new is raised.
    code, text
        As the table of codes has it, and what is so.
    steps
        How bad it is, in steps that matter: a whole one more is reported at once.
    over
        With what words it is taken back if it stood; without any it ends in silence.
    """

    stands: bool | None
    code: str
    text: str
    steps: float = 0.0
    over: str = ""
