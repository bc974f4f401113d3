"""Errors of other people's libraries become ours here, and nowhere else.

A library may raise what it likes: `lgpio.error` is a plain Exception, `termios.error` is not an OSError. Whoever calls
a driver expects the errors of `saltern.ports` alone, so every call of a library stands inside a `Foreign`.
"""

from types import TracebackType

from saltern.ports import DeviceUnavailableError, SalternError


class Foreign:
    """A context in which whatever a library raises becomes a `DeviceUnavailableError`.

    Parameters
    ----------
    where
        The device, as the bench file names it.
    remedy
        What to do next.
    """

    __slots__ = ("_remedy", "_where")

    def __init__(self, where: str, remedy: str) -> None:
        self._where = where
        self._remedy = remedy

    def __enter__(self) -> None: ...

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if isinstance(error, Exception) and not isinstance(error, SalternError):
            raise self.ours(error) from error

    def ours(self, error: Exception) -> DeviceUnavailableError:
        """Return what is raised for a library's error, where a line is asked so often that a context costs too much."""
        return DeviceUnavailableError(
            f"failed ({type(error).__name__}: {error})", where=self._where, remedy=self._remedy
        )
