"""How a stepper motor is brought to speed and back to rest: pieces of constant rate, their steps counted.

A motor follows a rate at once only up to its pull-in rate; above it the rate must rise and fall gently, or the motor
falls out of step (Acarnley, Stepping Motors: a guide to theory and practice, 4th ed., ch. 5; from memory).
"""

from collections.abc import Iterator
from dataclasses import dataclass

RAMP_PIECE_S = 0.025
LEVEL_PIECE_S = 0.05


@dataclass(frozen=True, slots=True)
class Piece:
    """Some steps at one rate."""

    steps: int
    rate: float  # steps a second

    @property
    def lasts_s(self) -> float:
        return self.steps / self.rate


def pieces(steps: int, start_rate: float, top_rate: float, acceleration: float) -> Iterator[Piece]:
    """Divide a motion of so many steps, from rest to rest.

    Parameters
    ----------
    steps
        At least 1.
    start_rate
        What the motor follows from rest, steps/s.
    top_rate
        What it is to reach, steps/s.
    acceleration
        steps/s2.

    Yields
    ------
    Piece
        Rates rise from `start_rate`, stay, and fall as they rose; the steps add up to `steps`.
    """
    up = _rise(steps // 2, min(start_rate, top_rate), top_rate, acceleration)
    level = steps - 2 * sum(piece.steps for piece in up)
    reached = min(top_rate, (up[-1].rate + acceleration * RAMP_PIECE_S) if up else min(start_rate, top_rate))
    yield from up
    while level > 0:
        piece = Piece(min(level, max(1, int(reached * LEVEL_PIECE_S))), reached)
        level -= piece.steps
        yield piece
    yield from reversed(up)


def _rise(most: int, start_rate: float, top_rate: float, acceleration: float) -> list[Piece]:
    """Return pieces of rising rate below the top, of at most so many steps together."""
    rising, rate, taken = [], start_rate, 0
    while rate < top_rate:
        steps = max(1, int(rate * RAMP_PIECE_S))
        if taken + steps > most:
            break
        rising.append(Piece(steps, rate))
        taken += steps
        rate += acceleration * RAMP_PIECE_S
    return rising
