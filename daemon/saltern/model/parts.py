"""The two parts of an uncertainty: what a result has of its own, and what it shares with others.

A fill, a curve and a residue are a result's own. A titre factor, the calibration of a cell and a bottle of reference
are shared by all results made with them: their errors are the same error, so they cancel where two such results are
compared, and they stay where many are averaged (GUM, JCGM 100:2008, 5.2 and F.1.2.3). Whose error it is, an *epoch*
says: a kind and the number of its calibration.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from math import hypot, sqrt

WALKS = "walk of "
"""Begins the name of an epoch whose error accumulates by chance: two results share what had come together by the
earlier one."""


@dataclass(frozen=True)
class Parts:
    """A standard uncertainty (k = 1) in its two parts, in the unit of its quantity.

    Parameters
    ----------
    u_own
        What is independent from result to result.
    epochs
        What is shared, by the identity of what it is shared through, for example `titre factor 12`. A value is what
        one standard deviation of that common error does to this result, with its sign.
    """

    u_own: float
    epochs: Mapping[str, float] = field(default_factory=dict)

    @property
    def u_shared(self) -> float:
        """The shared part."""
        return hypot(*self.epochs.values())

    @property
    def u(self) -> float:
        """Both parts together: the standard uncertainty of one result by itself."""
        return hypot(self.u_own, self.u_shared)

    def scaled(self, by: float) -> "Parts":
        """Return the parts in another unit, or of a multiple."""
        return Parts(abs(by) * self.u_own, {name: by * u for name, u in self.epochs.items()})


def unknown(u: float) -> Parts:
    """Return the parts of a result from before they were kept: all of it may be its own."""
    return Parts(u)


def u_of_change(before: Parts, after: Parts) -> float:
    """Return the standard uncertainty of the difference between two results."""
    return u_of_sum((before, after), (-1.0, 1.0))


def u_of_mean(parts: Sequence[Parts]) -> float:
    """Return the standard uncertainty of the mean of results.

    Raises
    ------
    ValueError
        There are none.
    """
    if not parts:
        raise ValueError("there is no mean of no results")
    return u_of_sum(parts, [1.0 / len(parts)] * len(parts))


def u_of_sum(parts: Sequence[Parts], weights: Sequence[float]) -> float:
    """Return the standard uncertainty of a weighted sum of results.

    Parameters
    ----------
    parts
        Of each result.
    weights
        As many; a change has -1 and 1, a mean of n has 1/n, a slope what the times give.
    """
    own = sum((weight * one.u_own) ** 2 for one, weight in zip(parts, weights, strict=True))
    common = sum(_of_an_epoch(name, parts, weights) for name in _names(parts))
    return sqrt(own + max(0.0, common))


def _names(parts: Iterable[Parts]) -> list[str]:
    return list(dict.fromkeys(name for one in parts for name in one.epochs))


def _of_an_epoch(name: str, parts: Sequence[Parts], weights: Sequence[float]) -> float:
    """Return the variance that one epoch brings into a weighted sum."""
    felt = [(weight, one.epochs[name]) for one, weight in zip(parts, weights, strict=True) if one.epochs.get(name, 0.0)]
    if not name.startswith(WALKS):
        return float(sum(weight * u for weight, u in felt)) ** 2
    felt.sort(key=lambda item: abs(item[1]))
    variance, before, rest = 0.0, 0.0, sum(weight for weight, _ in felt)
    for weight, u in felt:  # of a walk, all results from a step on have that step
        variance += rest**2 * (u**2 - before)
        before, rest = u**2, rest - weight
    return variance
