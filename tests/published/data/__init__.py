"""Published and computed tables; see README.md for where each comes from."""

import csv
from pathlib import Path


def rows(name):
    """Return the rows of a table, each a dict of strings."""
    with (Path(__file__).parent / name).open() as file:
        return list(csv.DictReader(file))
