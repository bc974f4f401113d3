"""What is opened by its name, may be lost at any moment, and is opened again: where foreign errors become ours.

A library's handle is used through `Returning.use` and in no other way. Whatever the library raises there, a
`termios.error` and the `TypeError` of a closed descriptor included, ends the handle and comes out as a
`DeviceUnavailableError`. The handle is opened again by the same name, after 0.5 s and then at twice the pause each
time, up to 30 s, until it works.

Nothing here waits. Opening and closing are done aside (`Wires.aside`): the kernel may take seconds for a USB device
that does not answer (5 s for a control transfer of cdc-acm, up to 30 s for what a closed port still has to send, both
from memory of its sources), and the control thread must not. A pseudo-terminal is opened in 0.02 ms, 0.3 ms at most
in 200 tries, which says nothing of USB.
"""

import threading
from collections.abc import Callable
from concurrent.futures import Future
from contextlib import suppress
from typing import Any, Generic, TypeVar

from saltern.ports import Clock, Connection, DeviceUnavailableError, DriverError, SalternError, Wires

FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.5, 30.0
AT_START_S = 2.0
"""So long a start waits for a port, that a mistake in the bench file is reported at once; nothing moves meanwhile."""

CLOSING_S = 1.0
BY_ITSELF = "it is opened again by itself"

Handle = TypeVar("Handle")
Answer = TypeVar("Answer")
Aside = Callable[[Callable[[], Any]], Future[Any]]


def dies(error: Exception) -> bool:
    """Say that no failure leaves a handle usable, which is so unless a library's own rules say otherwise."""
    del error
    return True


class Returning(Generic[Handle]):
    """One name, and the handle that it leads to, if it leads anywhere.

    Parameters
    ----------
    open_handle, close_handle
        The library's own; both may block, and raise what they like.
    wires
        Its clock counts the pauses; its `aside` does what may block.
    where
        The name, for messages.
    says, remedy
        What a failure means, and what the keeper looks at then.
    ends
        Whether a failure ends the handle, or leaves it usable.
    """

    def __init__(
        self,
        open_handle: Callable[[], Handle],
        close_handle: Callable[[Handle], object],
        wires: Wires,
        where: str,
        says: str,
        remedy: str,
        ends: Callable[[Exception], bool] = dies,
    ) -> None:
        self._open, self._close = open_handle, close_handle
        self._clock: Clock = wires.clock
        self._aside: Aside = wires.aside
        self._where = where
        self._says = says
        self._remedy = remedy
        self._ends = ends
        self._lock = threading.RLock()  # a switch's callback may write a halt while the control thread reads
        self._handle: Handle | None = None
        self._opening: Future[Handle] | None = None
        self._closing: Future[Any] | None = None
        self._again_s = self._clock.monotonic()
        self._pause_s = FIRST_PAUSE_S
        self._trouble = ""
        self._remedy_now = remedy
        self._ended = False
        self.openings = 0
        self._returns = 0
        self._seen: tuple[tuple[bool, int, str, str], Connection] | None = None  # as it was last asked for

    # Opening ------------------------------------------------------------------------

    def begin(self) -> None:
        """Open it for the first time. One that is not there is not an error: it is opened when it is.

        Raises
        ------
        DriverError
            It can never be opened: a library is not installed, or the bench file names what cannot be.
        """
        with self._lock:
            self._opening = self._start_opening()
        try:
            error = self._opening.exception(timeout=AT_START_S)
        except TimeoutError:
            self._not_opened(DriverError("has not opened yet", where=self._where, remedy=self._remedy))
            return
        if isinstance(error, DriverError) and not isinstance(error, DeviceUnavailableError):
            self._opening = None
            raise error
        with self._lock:
            self._take_up()

    def ready(self) -> Handle:
        """Return the handle; where it was lost, open it again if that is due.

        Raises
        ------
        DeviceUnavailableError
            It is not there now.
        """
        with self._lock:
            if self._handle is None and not self._ended:
                rests = self._closing is not None and not self._closing.done()
                if self._opening is None and self._clock.monotonic() >= self._again_s and not rests:
                    self._opening = self._start_opening()
                self._take_up()
            if self._handle is None:
                raise self._absent()
            return self._handle

    def _start_opening(self) -> "Future[Handle]":
        try:
            return self._aside(self._open)
        except Exception as error:  # noqa: BLE001 - no thread to be had; it is tried again like any other failure
            failed: Future[Handle] = Future()
            failed.set_exception(error)
            return failed

    def _take_up(self) -> None:
        """Take up an opening that has come to its end, if there is one."""
        if self._opening is None or not self._opening.done():
            return
        done, self._opening = self._opening, None
        error = done.exception()
        if error is None:
            self._handle = done.result()
            self.openings += 1
        else:
            self._not_opened(error)

    # Using --------------------------------------------------------------------------

    def use(self, call: Callable[[Handle], Answer]) -> Answer:
        """Let a library do something with the handle, from any thread.

        Raises
        ------
        DeviceUnavailableError
            It is not there, or it failed.
        """
        handle = self._handle  # seldom lost: the lock of `ready` is for opening
        if handle is None:
            handle = self.ready()
        try:
            answer = call(handle)
        except Exception as error:
            self._failed(handle, error)
            raise self._absent() from error
        if self._trouble:
            with self._lock:
                self._trouble, self._remedy_now = "", self._remedy
                self._returns += 1
        return answer

    def worked(self) -> None:
        """Note that something came through: the next loss is a new one, and begins with a short pause."""
        self._pause_s = FIRST_PAUSE_S

    def _failed(self, handle: Handle, error: Exception) -> None:
        with self._lock:
            if self._handle is not handle:
                return  # another thread has met the same failure before
            self._trouble, self._remedy_now = f"{self._says} ({_words(error)})", self._remedy
            if not self._ends(error):
                return
            self._handle = None
            self._try_later()
            self._closing = self._close_aside(handle)

    def _not_opened(self, error: BaseException) -> None:
        ours = isinstance(error, SalternError)
        self._trouble = _words(error) if ours else f"cannot be opened ({_words(error)})"
        self._remedy_now = error.remedy if isinstance(error, SalternError) else self._remedy
        self._try_later()

    def _try_later(self) -> None:
        self._again_s = self._clock.monotonic() + self._pause_s
        self._pause_s = min(2.0 * self._pause_s, LONGEST_PAUSE_S)

    def _absent(self) -> DeviceUnavailableError:
        return DeviceUnavailableError(
            self._trouble or "is closed",
            where=self._where,
            remedy=f"{self._remedy_now}; {BY_ITSELF}",
        )

    @property
    def connection(self) -> Connection:
        """How it was when it was last used."""
        up = self._handle is not None and not self._trouble
        trouble = "" if up else self._trouble or "is being opened"
        now = up, self._returns, trouble, self._remedy_now
        if self._seen is None or self._seen[0] != now:
            self._seen = now, Connection(self._where, up, self._returns, trouble, f"{self._remedy_now}; {BY_ITSELF}")
        return self._seen[1]

    # Closing ------------------------------------------------------------------------

    def close(self) -> None:
        """Close it for good; never raises. What takes longer than a second goes on beside."""
        with self._lock:
            self._ended = True
            handle, self._handle = self._handle, None
            opening, self._opening = self._opening, None
        if opening is not None:
            opening.add_done_callback(self._close_late)
        if handle is not None:
            self._closing = self._close_aside(handle)
        if self._closing is not None:
            with suppress(TimeoutError):
                self._closing.exception(timeout=CLOSING_S)

    def _close_late(self, opening: "Future[Handle]") -> None:
        if opening.exception() is None:
            self._close_quietly(opening.result())

    def _close_aside(self, handle: Handle) -> "Future[Any]":
        try:
            return self._aside(lambda: self._close_quietly(handle))
        except Exception:  # noqa: BLE001 - no thread to be had: it is closed here
            self._close_quietly(handle)
            done: Future[Any] = Future()
            done.set_result(None)
            return done

    def _close_quietly(self, handle: Handle) -> None:
        with suppress(Exception):  # a handle whose other end has gone may refuse this too, and is closed by the kernel
            self._close(handle)


def _words(error: BaseException) -> str:
    if isinstance(error, SalternError):
        return error.what
    return str(error) or type(error).__name__


def in_a_thread(work: Callable[[], Answer]) -> "Future[Answer]":
    """Do something that may block in a thread of its own, which keeps no process alive."""
    future: Future[Answer] = Future()

    def run() -> None:
        try:
            answer = work()
        except BaseException as error:  # noqa: BLE001 - it is the future's
            future.set_exception(error)
        else:
            future.set_result(answer)

    threading.Thread(target=run, name="saltern-aside", daemon=True).start()
    return future
