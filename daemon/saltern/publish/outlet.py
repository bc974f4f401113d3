"""What an outlet is, what it declares, and the one loop that outlets send from."""

import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import structlog
from pydantic import BaseModel

from saltern.config.tables import BenchConfig
from saltern.errors import StorageError
from saltern.ports import Clock
from saltern.records.store import Store

GROUP = "saltern.outlets"


class Outlet(Protocol):
    """Something that carries results and alerts out, open. It works in threads of its own and is not waited for."""

    def update(self, status: dict[str, Any]) -> None:
        """Take over the newest status, each minute and after each event (see `saltern.running.shown`)."""
        ...

    def close(self) -> None:
        """Say goodbye and stop, within seconds; what is unsent waits for the next start."""
        ...


@dataclass(frozen=True)
class Surroundings:
    """What an outlet is opened with.

    Parameters
    ----------
    current
        The bench file as it was last taken up: some of it may change while an outlet is open.
    folder
        Of the bench file: credentials and files that its table names are looked for there.
    store
        The records: `results_after`, `alerts_after`, and how far an outlet was heard.
    clock
        The time.
    is_alive
        Whether the bench's own loop is running.
    """

    current: Callable[[], BenchConfig]
    folder: Path
    store: Store
    clock: Clock
    is_alive: Callable[[], bool]


@dataclass(frozen=True)
class OutletKind:
    """What an entry point of the group `saltern.outlets` is; its name is that of the outlet's table.

    The module must import without the outlet's library: whether that is installed is asked where the outlet is opened.

    Parameters
    ----------
    open
        Opens the outlet with its table. Raises `ImportError` where its library is missing.
    table
        The pydantic model of ``[outlets.NAME]`` in the bench file (extra keys forbidden, frozen).
    extra
        The extra of Saltern that brings the library, if it is one of ours.
    asked_by
        For an outlet without a table of its own: what of the bench file asks for it, or None where nothing does.
    reaches
        Says in some words whom it reaches, where it is a way to hear of trouble; addresses stay secret.
    """

    open: Callable[[Any, Surroundings], Outlet]
    table: type[BaseModel] | None = None
    extra: str | None = None
    asked_by: Callable[[BenchConfig], BaseModel | None] = lambda config: None
    reaches: Callable[[Any], str] | None = None


class Rounds:
    """A thread that looks, pauses, and looks again until it is closed; no fault of one look ends it.

    Parameters
    ----------
    name
        Of the thread and of its events in the log.
    look
        Sends what is new; returns whether all of it went.
    every_s, after_failure_s
        The pause before each look, and after one that did not send everything: what is unsent waits in the records.
    at_end
        Done once more when it is closed: why the service ends may be among what is new.
    """

    def __init__(
        self,
        name: str,
        look: Callable[[], bool],
        every_s: float,
        after_failure_s: float,
        at_end: Callable[[], bool] = lambda: True,
    ) -> None:
        self._name, self._look, self._at_end = name, look, at_end
        self._every_s, self._after_failure_s = every_s, after_failure_s
        self._log = structlog.get_logger(f"saltern.{name}")
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)

    def start(self) -> None:
        self._thread.start()

    @property
    def ending(self) -> bool:
        """Whether it has been asked to end."""
        return self._ending.is_set()

    def close(self, within_s: float) -> None:
        """Ask it to end, and wait for so long at most."""
        self._ending.set()
        self._thread.join(timeout=within_s)

    def _once(self, look: Callable[[], bool]) -> bool:
        """Look once; return whether all went, and log what kept it."""
        try:
            return look()
        except StorageError as error:
            self._log.error(f"{self._name}.records", what=error.what, remedy=error.remedy)
            return True  # not the outlet's: the next look may find them readable
        except Exception:  # noqa: BLE001 - a library's mistake with one message must not silence all that follow
            self._log.exception(f"{self._name}.failed")
            return False

    def _run(self) -> None:
        pause_s = self._every_s
        while not self._ending.wait(pause_s):
            pause_s = self._every_s if self._once(self._look) else self._after_failure_s
        self._once(self._at_end)
