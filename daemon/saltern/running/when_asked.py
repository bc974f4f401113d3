"""Work that is done when it is asked for, in a thread of its own: files and filters must hold up no scan."""

import threading
from collections.abc import Callable

import structlog

from saltern.errors import SalternError

CLOSED_WITHIN_S = 2.0


class WhenAsked:
    """Does one thing whenever it is asked to, and at intervals; asked often, it does it once.

    Parameters
    ----------
    name
        What it is called in the log.
    act
        Does it. An error is logged and ends nothing.
    every_s
        The longest time between two; None: only when asked.
    """

    def __init__(self, name: str, act: Callable[[], None], every_s: float | None = None) -> None:
        self._act = act
        self._every_s = every_s
        self._asked = threading.Event()
        self._asked.set()  # what is there at the start
        self._ending = False
        self._log = structlog.get_logger(f"saltern.{name}")
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self._thread.start()

    def ask(self) -> None:
        """Let it be done soon; from any thread."""
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
                self._act()
            except SalternError as error:  # records that cannot be read have an alert of their own
                self._log.error("not_done", what=error.what, remedy=error.remedy)
            except Exception:  # noqa: BLE001 - one mistake must not end it for good
                self._log.exception("not_done")
