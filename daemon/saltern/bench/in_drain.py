"""What float and tray do in a drain: a pump that runs the wrong way, or a line that leaks, shows there alone.

Nothing else moves in a drain. A float that was down when it began and comes up says that the waste pump fills; a tray
that was dry and becomes wet, that the waste line runs into it.
"""

from saltern.bench.interlocks import Snapshot


class InDrain:
    """Kept by whoever drains; looked at by each scan."""

    def __init__(self) -> None:
        self._under_way = self._float_was_down = self._tray_was_dry = False
        self._up_since_s: float | None = None
        self.cell_wet = True  # as it was last seen; an unknown cell counts as wet

    def begin(self, seen: Snapshot) -> None:
        """Remember what float and tray say before the pump turns."""
        self._under_way = True
        self._float_was_down, self._tray_was_dry = not seen.overfill, not seen.leak
        self._up_since_s, self.cell_wet = None, True

    def end(self) -> None:
        self._under_way = False

    def look(self, seen: Snapshot, now_s: float) -> None:
        """Put what the drain does to float and tray into what a scan sees."""
        rises = self._under_way and self._float_was_down and seen.overfill and self.cell_wet
        self._up_since_s = None if not rises else now_s if self._up_since_s is None else self._up_since_s
        seen.float_up_in_drain_s = 0.0 if self._up_since_s is None else now_s - self._up_since_s
        seen.tray_wetted_in_drain = self._under_way and self._tray_was_dry and seen.leak
