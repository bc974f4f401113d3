"""The proof test: each interlock that a hand can provoke, provoked once, and seen to act. What is not tried rusts.

Permits and drives are proved by the service itself at every determination; what hangs on a float, a sensor or a button
only a person can try.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from saltern.config.tables import BenchConfig


@dataclass(frozen=True)
class Trial:
    """One interlock, what to do to make it act, and how to put it back."""

    interlock: str
    switch: str
    provoke: str
    put_back: str


TRIALS: tuple[Trial, ...] = (
    Trial("overfill", "overfill", "Lift the overfill float by hand, and hold it up", "Let the float down"),
    Trial("leak", "leak", "Touch the tray's leak sensor with a cloth wetted with tank water", "Wipe it dry"),
    Trial("stop", "stop", "Press the stop button", "Release the stop button"),
    Trial("waste-full", "waste_full", "Lift the waste container's float, and hold it up", "Let the float down"),
)

GRACE = timedelta(days=30)
"""So long after a proof test was due, nothing is measured unattended any more."""


def trials(config: BenchConfig) -> list[Trial]:
    """Return the trials of the switches that this bench has."""
    return [trial for trial in TRIALS if getattr(config.switches, trial.switch) is not None]


def due(config: BenchConfig, proved: Mapping[str, datetime], began: datetime) -> datetime:
    """Return when the next proof test is due.

    Parameters
    ----------
    config
        The bench; `proof.every_days` says how often.
    proved
        By interlock, when it was last seen to act.
    began
        When this bench began: one never proved is due at once.
    """
    oldest = [proved.get(trial.interlock) for trial in trials(config)]
    known = [at for at in oldest if at is not None]
    if len(known) < len(oldest):
        return began
    return min(known) + timedelta(days=config.proof.every_days)
