"""The guide that a running service is: questions go out over its socket, answers come in, interlocks are scanned.

A question stays until it is answered, by whoever is connected: a terminal that went away may come back.
"""

import queue
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass

from saltern.bench.bench import Bench
from saltern.errors import ConfigError
from saltern.procedures.prompts import NobodyAnsweredError

LOOK_EVERY_S = 0.5
PATIENCE_S = 4.0 * 3600.0
DONE = "done"


@dataclass(frozen=True)
class Question:
    """What stands to be answered: that something was done, or a number."""

    key: str
    text: str
    unit: str | None = None
    low: float | None = None
    high: float | None = None


class Prompting:
    """A guide whose person is somewhere else.

    Parameters
    ----------
    bench
        Where time passes while nobody has answered.
    report
        Called with questions, remarks and readings, as a kind and what there is to it.
    given
        Answers given beforehand, by key, in order; where they run out, it is asked.
    """

    def __init__(
        self,
        bench: Bench,
        report: Callable[[str, dict[str, object]], None],
        given: Mapping[str, Sequence[str]] | None = None,
    ) -> None:
        self._bench = bench
        self._report = report
        self._given = {key: list(answers) for key, answers in (given or {}).items()}
        self._answers: queue.SimpleQueue[tuple[str, str]] = queue.SimpleQueue()
        self.question: Question | None = None

    def answer(self, key: str, text: str) -> None:
        """Answer the question that stands; from any thread.

        Raises
        ------
        ConfigError
            Another one stands, or none, or it is no answer to this one.
        """
        question = self.question
        if question is None or question.key != key:
            raise ConfigError(
                f"nothing is asked about {key!r}",
                where="answer",
                remedy="No question is waiting for an answer"
                if question is None
                else f"Answer {question.key!r}: {question.text}",
            )
        if question.unit is not None:
            _number(question, text)
        self._answers.put((key, text))

    def confirm(self, key: str, text: str) -> None:
        self._ask(Question(key, text))

    def number(self, key: str, text: str, unit: str, low: float, high: float) -> float:
        question = Question(key, text, unit, low, high)
        return _number(question, self._ask(question))

    def say(self, text: str) -> None:
        self._report("said", {"text": text})

    def see(self, what: str, value: float, unit: str) -> None:
        self._report("seen", {"what": what, "value": value, "unit": unit})

    def _ask(self, question: Question) -> str:
        beforehand = self._given.get(question.key)
        if beforehand:
            self._report("said", {"text": f"{question.text}: {beforehand[0]}"})
            return beforehand.pop(0)
        until_s = self._bench.clock.monotonic() + PATIENCE_S
        self.question = question
        self._report("question", asdict(question))
        try:
            while self._bench.clock.monotonic() < until_s:
                try:
                    key, text = self._answers.get_nowait()
                except queue.Empty:
                    self._bench.wait(LOOK_EVERY_S)
                    continue
                if key == question.key:
                    return text
        finally:
            self.question = None
        raise NobodyAnsweredError(
            f"nobody answered for {PATIENCE_S / 3600.0:.0f} hours: {question.text}",
            where="guided procedure",
            remedy="Begin again; nothing was changed",
        )


def _number(question: Question, text: str) -> float:
    """Return the number in an answer.

    Raises
    ------
    ConfigError
        It is none, or out of bounds.
    """
    low, high = question.low, question.high
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = float("nan")
    if low is None or high is None or not low <= value <= high:
        raise ConfigError(
            f"{text!r} is not a number of {question.unit} between {low:g} and {high:g}"
            if low is not None and high is not None
            else f"{text!r} is not an answer",
            where=question.key,
            remedy="Answer again",
        )
    return value
