"""What every test gets."""

import pytest
import structlog


@pytest.fixture(autouse=True)
def logs_of_one_test_alone():
    """A command configures logging for its own terminal; the next test must not write to that one."""
    yield
    structlog.reset_defaults()
