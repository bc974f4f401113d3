"""A header for tests, where the machine has a compiler and the GPIO library."""

from importlib.util import find_spec

import pytest

from tests.real.header import MISSING, Header, library


@pytest.fixture(params=[True, False], ids=["lines persist", "lines fall"])
def header(request, tmp_path):
    """A header whose lines, once let go, keep their level as a Raspberry Pi's do, and one whose lines fall."""
    yield from _header(tmp_path, persist=request.param)


@pytest.fixture
def pi_header(tmp_path):
    yield from _header(tmp_path, persist=True)


def _header(folder, *, persist):
    if library() is None:
        pytest.skip(MISSING)
    if find_spec("lgpio") is None:
        pytest.skip("lgpio is not installed: it has no wheel for this Python")
    made = Header(folder, persist=persist)
    yield made
    made.close()
