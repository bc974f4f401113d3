"""The option `--method`: its choices are the methods that there are."""

from typing import Any

import typer

from saltern.chemistry.endpoint.methods import NAMES


def method_option(*more: str, help: str) -> Any:  # noqa: A002 - typer's own word
    """Return the option of a command, with further choices after the methods."""
    choices = (*NAMES, *more)

    def known(name: str) -> str:
        if name not in choices:
            msg = f"{name!r} is not one of {', '.join(choices)}"
            raise typer.BadParameter(msg)
        return name

    return typer.Option(parser=known, metavar=f"[{'|'.join(choices)}]", help=help)
