"""From its first question on, a guided procedure counts as hands at the bench: before it, nobody was asked for any."""

from collections.abc import Callable

from saltern.procedures.prompts import Prompts


class FromTheFirstQuestion:
    """Keeps `saltern.procedures.prompts.Prompts`: hands everything on, and says once that something is asked.

    Parameters
    ----------
    prompts
        Who asks.
    asks
        Called before the first question stands: what a person does then, the records know already.
    """

    def __init__(self, prompts: Prompts, asks: Callable[[], None]) -> None:
        self._prompts, self._asks = prompts, asks
        self._asked = False

    def confirm(self, key: str, text: str) -> None:
        self._note()
        self._prompts.confirm(key, text)

    def number(self, key: str, text: str, unit: str, low: float, high: float) -> float:
        self._note()
        return self._prompts.number(key, text, unit, low, high)

    def say(self, text: str) -> None:
        self._prompts.say(text)

    def see(self, what: str, value: float, unit: str) -> None:
        self._prompts.see(what, value, unit)

    def _note(self) -> None:
        if not self._asked:
            self._asks()
            self._asked = True
