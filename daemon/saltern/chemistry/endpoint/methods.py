"""All methods by name: the one list from which bench file, command line and their help take theirs."""

from functools import cache
from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:  # it knows numpy
    from saltern.chemistry.endpoint.curve import EndPointMethod

DEFAULT = "least-squares"

WHERE: dict[str, str] = {
    DEFAULT: "least_squares:METHOD",
    "sop3b": "sop3b:METHOD",
    "gran": "gran:METHOD",
    "inflection": "inflection:METHOD",
    "fixed-ph": "fixed_ph:METHOD",
    "fixed-ph-corrected": "fixed_ph:CORRECTED",
}
"""Name, and the file of this folder with what it is called there: an `EndPointMethod`.

A file is loaded when its method is used: names alone must not cost a small computer the libraries.
"""

NAMES = tuple(WHERE)


@cache
def method(name: str) -> "EndPointMethod":
    """Return the method of this name, one of `NAMES`."""
    module, _, attribute = WHERE[name].partition(":")
    found: EndPointMethod = getattr(import_module(f"{__package__}.{module}"), attribute)
    return found
