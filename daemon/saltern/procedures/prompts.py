"""What a guided procedure asks of the person at the bench.

A procedure asks; whoever stands behind the guide (a terminal over SSH, a script, a test's keeper) answers. Liquid
moves and time passes through the bench as ever, so that interlocks are scanned while it waits for an answer.
"""

from typing import Protocol

from saltern.errors import SalternError


class Prompts(Protocol):
    """The person, as a procedure sees them."""

    def confirm(self, key: str, text: str) -> None:
        """Ask that something be done, and come back when it is.

        Raises
        ------
        SalternError
            Nobody answered in time, or a stop was asked for.
        """
        ...

    def number(self, key: str, text: str, unit: str, low: float, high: float) -> float:
        """Ask for a number between `low` and `high`; one that is not is asked for again."""
        ...

    def say(self, text: str) -> None:
        """Say how it goes."""
        ...

    def see(self, what: str, value: float, unit: str) -> None:
        """Show what the instrument reads now."""
        ...


class NobodyAnsweredError(SalternError):
    """A question stood for too long; the procedure has ended, and changed nothing."""
