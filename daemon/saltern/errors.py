"""The errors of the service. Each says what happened, where, and what to do next."""

from collections.abc import Sequence

from saltern.ports import MisuseError, SalternError

__all__ = [
    "ConfigError",
    "CurveError",
    "InterlockError",
    "MotionError",
    "NotRunningError",
    "ProgramFaultError",
    "ReadingError",
    "RemoteError",
    "SalternError",
    "StartupError",
    "StorageError",
    "as_saltern_error",
]


class ConfigError(SalternError, ValueError):
    """A file or argument of the keeper's is wrong."""


class CurveError(SalternError, ValueError):
    """A titration curve cannot be evaluated."""


class InterlockError(SalternError):
    """An interlock forbids what was asked, or stopped it."""

    def __init__(self, what: str, *, where: str, remedy: str, interlock: str) -> None:
        super().__init__(what, where=where, remedy=remedy)
        self.interlock = interlock


class MotionError(SalternError):
    """Liquid did not move as commanded."""


class ReadingError(SalternError):
    """A probe gave no usable reading in its time."""


class StorageError(SalternError, OSError):
    """A record could not be written or read."""


class SafeOffError(SalternError):
    """The outputs could not be taken low."""


class ProgramFaultError(SalternError):
    """The program failed at something that it should have refused or done: a mistake of ours, and nobody else's."""


class NotRunningError(SalternError):
    """No service answers."""


class RemoteError(SalternError):
    """A running service refused what was asked; `code` is one of the command line's exit codes, or the socket's own."""

    def __init__(self, what: str, *, where: str, remedy: str, code: int) -> None:
        super().__init__(what, where=where, remedy=remedy)
        self.code = code


class StartupError(SalternError):
    """Everything that kept the bench from starting, in one tree."""

    def __init__(self, where: str, causes: Sequence[SalternError]) -> None:
        self.causes = tuple(causes)
        lines = "\n".join(f"  - {cause}" for cause in self.causes)
        count = len(self.causes)
        super().__init__(
            f"{count} thing{'' if count == 1 else 's'} to put right before it can start\n{lines}\n",
            where=where,
            remedy="Nothing was moved",
        )


def as_saltern_error(error: Exception, where: str) -> SalternError:
    """Return an error as its caller is to hear it: ours as it is, any other as a fault of the program."""
    if isinstance(error, SalternError) and not isinstance(error, MisuseError):
        return error
    return ProgramFaultError(
        f"the program failed ({type(error).__name__}: {str(error)[:200]})",
        where=where,
        remedy="The bench was made safe, and the service goes on. Report this with the service's log",
    )
