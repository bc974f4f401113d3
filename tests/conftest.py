"""What every test gets."""

import gc
import os
import shutil
import signal
import tempfile
from pathlib import Path

import pytest
import structlog
from hypothesis import HealthCheck, settings

os.environ["SALTERN_ROOT"] = "/nowhere"
"""No test looks at a bench that is installed on the machine it runs on."""

os.environ["PYTHONPYCACHEPREFIX"] = str(Path(__file__).parent.parent / ".pytest_cache" / "compiled")
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
"""Hundreds of commands and services are started: each would compile all of Saltern anew where nothing is kept."""

if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
"""A run that a script started in the background ignores Ctrl-C, and so would each command that a test interrupts."""

settings.register_profile("saltern", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("saltern")
"""hypothesis counts by the wall clock, and sound properties fell on a busy machine; time_limits.py bounds them."""

ELSEWHERE = Path("/dev/shm")

pytest_plugins = ["tests.time_limits", "tests.leaks"]


def pytest_collection_modifyitems(items):
    """What is too long for every run is slow as well, so that `-m "not slow"` leaves both out."""
    for item in items:
        if item.get_closest_marker("soak"):
            item.add_marker("slow")


def pytest_collection_finish():
    """Leave what was loaded and collected, which stays, out of each later collection of garbage."""
    gc.collect()
    gc.freeze()


@pytest.fixture(autouse=True)
def logs_of_one_test_alone():
    """A command configures logging for its own terminal; the next test must not write to that one."""
    yield
    structlog.reset_defaults()


@pytest.fixture
def disk(tmp_path):
    """A folder of another disk."""
    if not ELSEWHERE.is_dir() or ELSEWHERE.stat().st_dev == tmp_path.stat().st_dev:
        pytest.skip("this computer has no second disk: /dev/shm is on that of the temporary folder")
    folder = Path(tempfile.mkdtemp(dir=ELSEWHERE))
    yield folder
    shutil.rmtree(folder, ignore_errors=True)
