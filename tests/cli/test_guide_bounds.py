"""What the command line refuses of a guided procedure's options is what the service refuses: bounds are the same."""

import pytest
import typer
from pydantic import TypeAdapter

from saltern.running.guided import PROCEDURES
from tests.cli.command import app

CALLED = {
    "alkalinity": "alkalinity_umol_kg",
    "u": "u_umol_kg",
    "added": "added_umol_kg",
    "high": "high_umol_kg",
    "low": "low_umol_kg",
    "strength": "mol_per_l",
    "buffer": "buffers",
    "standard": "standards",
    "together_min": "together_s",
}
"""Where a person types another name than the procedure has."""

IN_UNIT = {"together_min": 60.0}
ROOT = typer.main.get_command(app)
COMMANDS = {
    name: ROOT.commands["calibrate"].commands[name.removeprefix("calibrate-")]
    if name.startswith("calibrate-")
    else ROOT.commands[name]
    for name in PROCEDURES
    if name != "bring-up"
}


def bounds_of(name):
    """Return least and most of each option, as the service has them."""
    fields = TypeAdapter(PROCEDURES[name].options).json_schema()["properties"]
    found = {}
    for key, field in fields.items():
        kinds = [field, *field.get("anyOf", [])]
        found[key] = tuple(
            next((kind[word] for kind in kinds if word in kind), None) for word in ("minimum", "maximum")
        )
    return found


@pytest.mark.parametrize("name", COMMANDS)
def test_bounds_on_the_command_line_are_the_procedures_own(name):
    served = bounds_of(name)
    for param in COMMANDS[name].params:
        key = CALLED.get(param.name, param.name)
        if key not in served:
            continue
        typed = tuple(getattr(param, word, None) for word in ("min", "max"))
        in_unit = tuple(None if b is None else b * IN_UNIT.get(param.name, 1.0) for b in typed)
        assert in_unit == served[key], param.name
