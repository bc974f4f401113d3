"""`saltern probe`: find the boards on this computer, and print lines for the bench file."""

from typing import Annotated

import typer


def probe(
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON, and only JSON.")] = False,
) -> None:
    """List serial ports, I2C addresses, 1-wire sensors and the GPIO chip, with what answered and what to write for it.

    Stop the service first: two cannot ask one board. Pumps are never asked.
    """
    from dataclasses import asdict
    from importlib.metadata import entry_points

    from saltern.cli.present import console, print_json

    (entry,) = entry_points(group="saltern.discovery", name="look")
    found = list(entry.load()())
    if as_json:
        print_json({"schema_version": 1, "found": [asdict(one) for one in found]})
        return
    screen = console()
    for one in found:
        screen.print(f"[bold]{one.where}[/bold]: {one.what}", highlight=False)
        for line in one.config.splitlines():
            screen.print(f"    {line}", markup=False, highlight=False)
    if not found:
        screen.print("Nothing was found.")
