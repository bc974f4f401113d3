"""`saltern init`: the first bench file, by some eighteen questions."""

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer


def init(
    bench_file: Annotated[Path | None, typer.Argument(help="File to write (default: /etc/saltern/bench.toml).")] = None,
    wiring: Annotated[
        str | None,
        typer.Option("--from", help="Example whose wiring matches yours: node, serial, header or simulated."),
    ] = None,
    answer: Annotated[
        list[str] | None, typer.Option(help="Answer given in advance, as KEY=VALUE. Repeat it as often as you like.")
    ] = None,
    usual: Annotated[bool, typer.Option("--usual", help="Use the usual answer where none is given.")] = False,
    questions: Annotated[
        bool, typer.Option("--questions", help="List the questions and their keys, then exit.")
    ] = False,
) -> None:
    """Ask what only you can know of your bench, and write a commented bench file that `saltern check` accepts."""
    from saltern.config.first_file import WIRINGS, first_file, write_new
    from saltern.config.paths import DEFAULT, bench_file_of
    from saltern.config.questions import QUESTIONS, Answer, read
    from saltern.errors import ConfigError

    say = typer.echo
    if questions:
        for question in QUESTIONS:
            say(f"{question.key:22}{question.text} {question.how}")
        return
    path = bench_file if bench_file is not None else bench_file_of(DEFAULT)
    if path.exists():
        raise ConfigError("exists already and is left unchanged", where=str(path), remedy="Name another file")
    given = dict(_pair(text) for text in answer or ())
    unknown = sorted(set(given) - {question.key for question in QUESTIONS})
    if unknown:
        raise ConfigError(
            f"nothing is asked about {', '.join(unknown)}",
            where="--answer",
            remedy="saltern init --questions lists the keys",
        )
    if wiring is None and not usual:
        for word, (_, means) in WIRINGS.items():
            say(f"  {word:10} {means}")
    wiring = wiring or ("node" if usual else typer.prompt("How is it wired", default="node"))
    if wiring not in WIRINGS:
        raise ConfigError(f"there is no example {wiring!r}", where="--from", remedy=f"Choose of {', '.join(WIRINGS)}")

    answers: dict[str, Answer] = {}
    for question in QUESTIONS:
        offered = question.usual(answers)
        if question.key in given:
            answers[question.key] = read(question, given[question.key])
        elif usual:
            answers[question.key] = read(question, f"{offered}")
        else:
            say(f"\n{question.how}")
            unit = f" ({question.unit})" if question.unit else ""
            while question.key not in answers:
                try:
                    answers[question.key] = read(
                        question, typer.prompt(f"{question.text}{unit}", default=_shown(offered))
                    )
                except ConfigError as error:
                    say(str(error))

    write_new(path, first_file(wiring, answers, datetime.now(UTC).date()))
    say(f"\n{path} is written. Next:")
    if wiring != "simulated":
        say(f"  1. Put your pins and ports into it: nano {path}; `saltern probe` shows the ports.")
        say(f"  2. saltern check {path}")
        say("  3. Before anything is switched on: hardware/FIRST_DAY.md. Then: saltern bring-up. No acid yet.")
    else:
        say(f"  saltern check {path}")


def _pair(text: str) -> tuple[str, str]:
    from saltern.errors import ConfigError

    key, equals, value = text.partition("=")
    if not equals:
        raise ConfigError(f"{text!r} is not KEY=VALUE", where="--answer", remedy="For example --answer spout_mm=75")
    return key.strip(), value.strip()


def _shown(value: float | str) -> str:
    return value if isinstance(value, str) else f"{value:g}"
