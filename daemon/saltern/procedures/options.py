"""What the options of guided procedures share: how they are checked, and the types that several have.

Each procedure declares its own options, bounded, as a dataclass that pydantic checks: what a client sends, what a
terminal or a scenario says is refused before anything moves. Socket, schema and errors take them from there.
"""

from datetime import date
from typing import Annotated

from pydantic import AfterValidator, ConfigDict, Field

CHECKED = ConfigDict(extra="forbid", allow_inf_nan=False, str_max_length=500)
"""Named, finite, none unknown."""


def _is_day(text: str) -> str:
    try:
        date.fromisoformat(text)
    except ValueError as error:
        msg = "the calendar has no such day"
        raise ValueError(msg) from error
    return text


Day = Annotated[str, Field(pattern="^[0-9]{4}-[0-9]{2}-[0-9]{2}$"), AfterValidator(_is_day)]
Lot = Annotated[str, Field(max_length=80)]
