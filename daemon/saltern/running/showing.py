"""Showing the status to whoever keeps one, in a thread of its own: files and pictures must hold up no scan."""

import threading
from collections.abc import Callable
from typing import Any

import structlog

from saltern.errors import SalternError

CLOSED_WITHIN_S = 2.0


class Showing:
    """Draws a status and gives it away whenever it is asked to, and at intervals; asked often, it does so once.

    Parameters
    ----------
    draw
        Returns the status as it is.
    give
        Takes it.
    every_s
        The longest time between two; None: only when asked. By it whoever watches from afar sees that a bench lives.
    """

    def __init__(
        self,
        draw: Callable[[], dict[str, Any]],
        give: Callable[[dict[str, Any]], None],
        every_s: float | None = None,
    ) -> None:
        self._draw = draw
        self._give = give
        self._every_s = every_s
        self._asked = threading.Event()
        self._asked.set()  # what is there at the start
        self._ending = False
        self._log = structlog.get_logger("saltern.showing")
        self._thread = threading.Thread(target=self._run, name="showing", daemon=True)
        self._thread.start()

    def ask(self) -> None:
        """Let the status be shown soon; from any thread."""
        self._asked.set()

    def close(self) -> None:
        self._ending = True
        self._asked.set()
        self._thread.join(timeout=CLOSED_WITHIN_S)

    def _run(self) -> None:
        while True:
            self._asked.wait(self._every_s)
            self._asked.clear()
            if self._ending:
                return
            try:
                self._give(self._draw())
            except SalternError as error:  # records that cannot be read have an alert of their own
                self._log.error("status.not_shown", what=error.what, remedy=error.remedy)
            except Exception:  # noqa: BLE001 - a mistake in a picture must not end showing for good
                self._log.exception("status.not_shown")
