"""What every test gets."""

import os

import pytest
import structlog

os.environ["SALTERN_ROOT"] = "/nowhere"
"""No test looks at a bench that is installed on the machine it runs on."""


@pytest.fixture(autouse=True)
def logs_of_one_test_alone():
    """A command configures logging for its own terminal; the next test must not write to that one."""
    yield
    structlog.reset_defaults()
