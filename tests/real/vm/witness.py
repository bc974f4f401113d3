"""What the services said, heard outside the machine at once; what was heard of a result must never be lost again."""

import json
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True)
class Heard:
    """One message."""

    at: float  # this computer's monotonic time
    socket: str
    method: str
    params: dict[str, Any]


@dataclass
class Witness:
    """Everything heard since the last `forget`, oldest first."""

    heard: list[Heard] = field(default_factory=list)
    _come: threading.Condition = field(default_factory=threading.Condition)
    on_heard: Callable[[Heard], None] = lambda one: None

    def hear(self, line: str) -> None:
        path, _, message = line.partition(" ")
        try:
            said = json.loads(message)
        except ValueError:  # cut short by the machine's end
            return
        one = Heard(
            time.monotonic(), path, said.get("method", "answer"), said.get("params") or said.get("result") or {}
        )
        with self._come:
            self.heard.append(one)
            self._come.notify_all()
        self.on_heard(one)

    def forget(self) -> None:
        with self._come:
            self.heard.clear()

    def wait(self, wanted: Callable[[Heard], bool], after: int, expired: Callable[[], bool]) -> Heard | None:
        """Return the first message like that later than the first `after`; None where none comes before it expires."""
        seen = after
        while True:
            with self._come:
                while seen < len(self.heard):
                    one = self.heard[seen]
                    seen += 1
                    if wanted(one):
                        return one
                if expired():
                    return None
                self._come.wait(0.2)

    def accepted(self) -> list[dict[str, Any]]:
        """Return the results that were heard and are accepted, or provisional."""
        done = [one.params for one in self.heard if one.method == "finished"]
        return [one for one in done if one["alkalinity"]["verdict"] in ("accepted", "provisional")]
