"""The phases of a determination: a closed list, and what each is shown as while it lasts."""

import re
from enum import StrEnum

from saltern.ports import MisuseError


class Phase(StrEnum):
    """What is done to vessel and sample; matched by equality."""

    LOOK = "look"
    RECOVER = "recover"
    PROVE = "prove"
    DISCARD_TIP = "discard-tip"
    EMPTY = "empty"
    RINSE = "rinse"
    FILL = "fill"
    DRAW_DOWN = "draw-down"
    MEASURE = "measure"
    TITRATE = "titrate"
    EVALUATE = "evaluate"
    EMPTY_AFTER = "empty-after"
    KEEP_WET = "keep-wet"
    PRIME = "prime"
    IDLE = "idle"


SHOWN: dict[Phase, tuple[str, ...]] = {
    Phase.LOOK: ("look at the probes",),
    Phase.RECOVER: (
        "mix what stands",
        "empty after an unclean stop",
        "empty, for the vessel's content is not known",
        "fill a little",
        "fill a little, so that emptying shows",
    ),
    Phase.PROVE: ("permit of titrant", "permit of sample"),
    Phase.DISCARD_TIP: ("discard tip",),
    Phase.EMPTY: ("empty", "empty, to keep the probes wet", "empty what was primed", "empty the purge"),
    Phase.RINSE: ("rinse", "empty after rinse"),
    Phase.FILL: ("fill",),
    Phase.DRAW_DOWN: ("draw down",),
    Phase.MEASURE: ("measure",),
    Phase.TITRATE: ("titrate",),
    Phase.EVALUATE: ("evaluate",),
    Phase.EMPTY_AFTER: ("empty after titration",),
    Phase.KEEP_WET: ("keep wet",),
    Phase.PRIME: ("prime sample", "prime waste", "prime titrant"),
    Phase.IDLE: ("done",),
}
"""In words, the turn left out: "rinse 1 of 2" is a rinse."""

OF_A_DETERMINATION = (
    Phase.LOOK,
    Phase.PROVE,
    Phase.DISCARD_TIP,
    Phase.EMPTY,
    Phase.RINSE,
    Phase.FILL,
    Phase.MEASURE,
    Phase.TITRATE,
    Phase.EVALUATE,
    Phase.EMPTY_AFTER,
    Phase.KEEP_WET,
)
"""In their order, for whoever counts them. A vessel that is emptied and proved by turns counts its later turns as the
farthest phase so far; what a start after a death does first belongs to the look, and a draw-down to the fill."""

_COUNTED_AS = {Phase.RECOVER: Phase.LOOK, Phase.DRAW_DOWN: Phase.FILL, Phase.IDLE: Phase.KEEP_WET}


def turn_of(phase: Phase) -> int:
    """Return which one of a determination's phases this is, from 1; 0 where it belongs to none."""
    counted = _COUNTED_AS.get(phase, phase)
    return OF_A_DETERMINATION.index(counted) + 1 if counted in OF_A_DETERMINATION else 0


_OF = {shown: phase for phase, words in SHOWN.items() for shown in words}
_TURN = re.compile(r" \d+( of \d+)?$")


def phase_of(shown: str) -> Phase:
    """Return the phase that is shown by these words.

    Raises
    ------
    MisuseError
        There is none: a procedure enters no phase that is not in the list.
    """
    phase = _OF.get(_TURN.sub("", shown))
    if phase is None:
        raise MisuseError(f"{shown!r} is not a phase", where="phase", remedy="Add it to saltern.model.phase.SHOWN")
    return phase
