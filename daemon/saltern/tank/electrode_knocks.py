"""When the electrode moved alone: its offset jumped, and the alkalinity did not go with it as it does for a volume.

A volume that is wrong moves both, in a known proportion. A knock, a cleaning or a new cable moves the offset by some
millivolts alone; taken for a volume it would be one that is wrong by a tenth or two.
"""

from collections.abc import Sequence

from saltern.quality.history import usual_of
from saltern.tank.history import Seen

OFFSET_MV = -26.0
"""mV that the fitted offset moves with a relative error of a volume: 0.26 mV a percent (RT/F at 25 degC is 25.7 mV).

It falls where results are too high: more acid is counted beyond the end point than there is, and the signal, which
rises with acid, is what it is.
"""

BEFORE, LEAST_BEFORE = 6, 3
"""So many results show where the offset was: a day, and half of one."""

KNOCK_MV, SIGMAS = 1.0, 4.0
"""A jump is no wander from so much on, and beyond so many of the scatter before it. Four percent of a volume move the
offset by as much, which the alkalinity shows at once (assumed; drawn benches are knocked by 1 to 5 mV)."""

GOES_WITH = 0.5
"""Of what a volume would have moved the alkalinity by, so much must be seen of it; the light moves a tank, too."""


def knocks(seen: Sequence[Seen]) -> frozenset[float]:
    """Return the moments, in days, of the results from which the offset is another one's.

    Parameters
    ----------
    seen
        Results in the order of time; those without an offset do not count.
    """
    found: set[float] = set()
    before: list[Seen] = []  # since the offset last jumped
    for each in seen:
        if each.e0_mv is None:
            continue
        jump_mv = _jump_mv(before[-BEFORE:], each.e0_mv, each.u_e0_mv) if len(before) >= LEAST_BEFORE else 0.0
        if jump_mv:
            of_a_volume_dkh = each.dkh * jump_mv / OFFSET_MV
            if (each.dkh - before[-1].dkh) / of_a_volume_dkh < GOES_WITH:
                found.add(each.at_d)
            before = []
        before.append(each)
    return frozenset(found)


def _jump_mv(before: Sequence[Seen], e0_mv: float, u_mv: float) -> float:
    """Return by how much an offset lies beyond where it was before, mV; 0 where chance or wander explain it."""
    usual, scatter = usual_of([each.e0_mv for each in before if each.e0_mv is not None], u_mv)
    jump = e0_mv - usual
    return jump if abs(jump) > max(KNOCK_MV, SIGMAS * scatter) else 0.0
