"""How much of a thing is played on every run, and how much in `make soak`."""

import pytest
from hypothesis import given, settings

SOAK = pytest.mark.soak


def sizes(every_run, *, in_soak):
    """Return the values to parametrise by: one for every run, one for `make soak`."""
    return [pytest.param(every_run, id="a slice"), pytest.param(in_soak, id="all", marks=SOAK)]


def holds_for(*strategies, examples, in_soak):
    """Play a property over so many examples of these, and over more in `make soak`."""

    def of(statement):
        @pytest.mark.parametrize("number", sizes(examples, in_soak=in_soak))
        def test(number):
            settings(max_examples=number, deadline=None)(given(*strategies)(statement))()

        test.__name__, test.__qualname__, test.__doc__ = statement.__name__, statement.__qualname__, statement.__doc__
        return test

    return of
