"""What an acting command has done: a sentence for a person, one JSON object for a program."""

import json
import sys
from collections.abc import Mapping
from typing import Any


def say_done(found: Mapping[str, Any], said: str, *, as_json: bool) -> None:
    """Print it; nothing is imported for it that a small computer takes long to load."""
    sys.stdout.write((json.dumps({"schema_version": 1, **found}) if as_json else said) + "\n")
