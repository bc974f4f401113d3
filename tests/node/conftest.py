"""A host with a node, whose firmware runs in this Python (`here`), and under a real MicroPython too (`host`)."""

import pytest

from tests.node.boards import Here, OnMicroPython
from tests.node.host import Host


@pytest.fixture
def here():
    return Host(Here())


@pytest.fixture(params=["here", "micropython"])
def host(request):
    board = Here() if request.param == "here" else OnMicroPython()
    yield Host(board)
    board.close()
