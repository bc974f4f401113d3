"""A keeper at the simulated bench: answers what a guided procedure asks, after doing it with hands of the twin's."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from saltern.cli.guide import Asked
from saltern.errors import ConfigError
from saltern.procedures.prompts import Prompts
from saltern.running import guided
from saltern.running.service import Service

if TYPE_CHECKING:
    from saltern_drivers.twin.hands import Hands

TO_DO_S, TO_SEE_S, TO_READ_S = 20.0, 5.0, 10.0
"""How long hands take for what they are asked, until the bench has seen it, and to read a scale (assumed)."""


@dataclass
class PracticeKeeper:
    """Keeps `saltern.procedures.prompts.Prompts`: answers as the twin is.

    Parameters
    ----------
    serving
        Returns the service that runs now: time passes on its bench.
    hands
        Do what is asked.
    answers
        By key, what is answered instead of what an instrument shows, in turn.
    """

    serving: Callable[[], Service]
    hands: "Hands"
    answers: dict[str, list[str]] = field(default_factory=dict)
    asked: list[str] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    before: Callable[[str], None] = lambda key: None
    """Called with a key before it is done."""

    def confirm(self, key: str, text: str) -> None:
        self.asked.append(key)
        self.serving().bench.wait(TO_DO_S)
        self.before(key)
        self.hands.do(key, text)
        self.serving().bench.wait(TO_SEE_S)

    def number(self, key: str, text: str, unit: str, low: float, high: float) -> float:
        """Answer with what the instrument shows.

        Raises
        ------
        ConfigError
            That is not between the bounds, and would be asked for again for good.
        """
        del text
        self.asked.append(key)
        self.serving().bench.wait(TO_READ_S)
        given = self.answers.get(key)
        value = float(given.pop(0)) if given else self.hands.read(key, unit)
        if not low <= value <= high:
            raise ConfigError(
                f"{value:g} {unit} is not between {low:g} and {high:g}", where=key, remedy="Begin the procedure again"
            )
        return value

    def say(self, text: str) -> None:
        self.said.append(text)

    def see(self, what: str, value: float, unit: str) -> None:
        """Look on."""


def run_guided(service: Service, asked: Asked, prompts: Prompts) -> dict[str, Any]:
    """Run a guided procedure here, in the control thread, as one that was asked for over the socket.

    Raises
    ------
    SalternError
        It was refused, stopped, or could not be done.
    """
    options = guided.options_of(asked.procedure, asked.options)
    service.at_work.claim(asked.procedure, guided=True)
    try:
        found = guided.run(service, asked.procedure, options, prompts, asked.who or "the operator")
    finally:
        service.at_work.release()
    return {"outcome": "done", "result": found}
