"""`saltern safe-off`: every output low, whatever else is broken."""

import os
from pathlib import Path
from typing import Annotated

import typer


def safe_off(
    outputs: Annotated[
        Path | None, typer.Argument(help="The list that the service wrote; systemd's runtime directory otherwise.")
    ] = None,
) -> None:
    """Drive every output low, without service, records or bench file; a hung service is killed first."""
    from importlib.metadata import entry_points

    from saltern.errors import SafeOffError
    from saltern.safe_off import FILE, read_outputs
    from saltern.safe_off import safe_off as drive_low

    folder = os.environ.get("RUNTIME_DIRECTORY")
    if outputs is None and not folder:
        raise SafeOffError(
            "which outputs?", where="safe-off", remedy="Give the path of the list: NAME.outputs.json beside the records"
        )
    found = read_outputs(outputs if outputs is not None else Path(str(folder)) / FILE)
    (force_low,) = entry_points(group="saltern.safe_off", name=found.wires)
    killed = drive_low(found, force_low.load())
    typer.echo(f"{len(found.lines)} outputs are low." + (" The service that held them was killed." if killed else ""))
