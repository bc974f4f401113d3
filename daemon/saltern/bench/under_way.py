"""What is under way: motions with the times by which they must have ended, and the reading that a stage needs."""

OVERTIME_FACTOR, OVERTIME_S = 1.2, 2.0
"""A motion may last so much longer than its rate says: crystals and pulse trains are late by far less than 1 %, and a
board's answer that it has ended takes up to a second (assumed; `tests/drivers/test_pumps.py` holds drives to it)."""


class UnderWay:
    """Kept by whoever moves or reads; looked at by each scan."""

    def __init__(self) -> None:
        self._due_s: dict[str, float] = {}  # by moving role
        self._needs: str | None = None
        self._answered_s: dict[str, float] = {}  # by probe

    def begin(self, role: str, now_s: float, lasts_s: float) -> None:
        self._due_s[role] = now_s + OVERTIME_FACTOR * lasts_s + OVERTIME_S

    def end(self, role: str) -> None:
        self._due_s.pop(role, None)

    def end_all(self) -> None:
        self._due_s.clear()

    def need(self, probe: str | None, now_s: float) -> None:
        """Let no reading of this probe grow stale from now on; None: none is needed."""
        self._needs = probe
        if probe is not None:
            self._answered_s[probe] = now_s

    def answered(self, probe: str, at_s: float) -> None:
        self._answered_s[probe] = at_s

    @property
    def motions(self) -> int:
        return len(self._due_s)

    def overtime(self, now_s: float) -> bool:
        """Return whether a motion should have ended."""
        return bool(self._due_s) and now_s > min(self._due_s.values())

    def reading_age_s(self, now_s: float) -> float:
        """Return the age of the reading that the stage under way needs; 0 when it needs none."""
        return 0.0 if self._needs is None else now_s - self._answered_s.get(self._needs, -1e9)
