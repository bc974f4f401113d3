"""What the bench does at this moment, as everybody else sees it."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from saltern.model.determination import Source
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
        self.running: dict[str, Any] | None = None
        """What is under way, or None: replaced, never changed, for other threads read it."""

    def claim(self, what: str, *, guided: bool = False) -> None:
        """Say that something is about to run, so that nobody else begins."""
        self.running = {"what": what, "phase": "waiting", "points": [], "guided": guided}

    def begin(self, source: Source, number: int) -> None:
        """Say that the determination of this number begins."""
        self.running = {"what": f"measure {source.value}", "id": number, "phase": "starting", "points": []}

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

    def watch(self, step: Step) -> None:
        """Take up a step of what runs, and pass it on."""
        before = self.running or {}
        points = list(before.get("points", ()))
        event: dict[str, object] = {"phase": step.phase, "in_phase": step.in_phase, "at_s": step.at_s}
        if step.titrant_ml is not None and step.emf_mv is not None:
            points.append([step.titrant_ml, step.emf_mv])
            event["point"] = points[-1]
        self.running = {**before, "phase": step.phase, "points": points}
        self._hears("step", event)
        self._watcher(step)
