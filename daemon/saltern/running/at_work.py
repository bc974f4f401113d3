"""What the bench does at this moment, as everybody else sees it."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict
from typing import Any

from saltern.model.determination import Source
from saltern.model.phase import OF_A_DETERMINATION, turn_of
from saltern.procedures.notebook import Step, Watcher

Hears = Callable[[str, dict[str, object]], None]


class AtWork:
    """Owns the picture of what is under way.

    Parameters
    ----------
    hears
        Called at each step with a kind of event and what there is to it.
    watcher
        Sees every phase and every point of a curve.
    """

    def __init__(self, hears: Hears, watcher: Watcher) -> None:
        self._hears = hears
        self._watcher = watcher
        self._ends_s: float | None = None
        self.running: dict[str, Any] | None = None
        """What is under way, or None: replaced, never changed, for other threads read it."""

    def claim(self, what: str, *, guided: bool = False) -> None:
        """Announce that something is about to run, so that nothing else begins."""
        self.running = {"what": what, "phase": "waiting", "points": [], "guided": guided}

    def begin(self, source: Source, number: int, begun_s: float, usual_s: float | None) -> None:
        """Say that the determination of this number begins.

        Parameters
        ----------
        source, number
            What is measured, and the number that it gets.
        begun_s, usual_s
            When it begins, monotonic, and how long it usually takes; None is not known.
        """
        self._ends_s = None if usual_s is None else begun_s + usual_s
        self.running = {
            "what": f"measure {source.value}",
            "id": number,
            "phase": "starting",
            "points": [],
            "turn": 0,
            "turns": len(OF_A_DETERMINATION),
            "left_s": usual_s,
        }

    def release(self) -> None:
        """Say that it is over."""
        self.running = None

    @contextmanager
    def at(self, what: str) -> Iterator[None]:
        """Say what runs for as long as it does, however it ends."""
        self.claim(what)
        try:
            yield
        finally:
            self.release()

    def _progress(self, before: dict[str, Any], step: Step) -> dict[str, object]:
        """Return how far a determination has come: it never goes back, though the vessel is emptied more than once."""
        turn = 0 if step.in_phase is None else turn_of(step.in_phase)
        return {
            "turn": max(before["turn"], turn),
            "turns": before["turns"],
            "left_s": None if self._ends_s is None else max(0.0, self._ends_s - step.at_s),
            "so_far": None if step.so_far is None else asdict(step.so_far),
        }

    def watch(self, step: Step) -> None:
        """Take up a step of what runs, and pass it on."""
        before = self.running or {}
        points = list(before.get("points", ()))
        event: dict[str, object] = {"phase": step.phase, "in_phase": step.in_phase, "at_s": step.at_s}
        if step.titrant_ml is not None and step.emf_mv is not None:
            points.append([step.titrant_ml, step.emf_mv])
            event["point"] = points[-1]
        if "turn" in before:
            event |= self._progress(before, step)
        shown = {key: value for key, value in event.items() if key in ("turn", "turns", "left_s", "so_far")}
        self.running = {**before, **shown, "phase": step.phase, "points": points}
        self._hears("step", event)
        self._watcher(step)
