"""The library's pulse thread can hang. Saltern avoids how it hangs; if it hangs all the same, that is found out."""

import json
import os
import signal
import subprocess
import sys

import pytest

from tests.real.priority import refuse_real_time


def hang(header, **how):
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    return subprocess.run(
        [sys.executable, "-m", "tests.real.hang"], env=header.environment(), check=False, timeout=300, **pipes, **how
    )


def test_a_pulse_thread_that_hangs_is_found_out_and_outputs_go_low(pi_header):
    run = hang(pi_header, preexec_fn=refuse_real_time)
    assert run.returncode == 0, run.stderr
    found = json.loads(run.stdout.splitlines()[-1])
    if found["trains"] is None:
        pytest.skip("this version of the library did not hang in 600 bare trains")

    assert "has stopped" in found["said"]
    assert found["alive"] is False
    assert not pi_header.level(22)  # the motor's current
    assert not pi_header.level(18)  # a level that the hung thread would have had to write


def test_a_pulse_thread_that_spins_with_real_time_priority_is_ended_by_the_kernel(pi_header):
    """It must not take a small computer with it: the supervisor takes outputs low and starts the service again."""
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(1))
        os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))
    except PermissionError:
        pytest.skip("real-time priority is not permitted here")

    run = hang(pi_header)

    assert run.returncode == -signal.SIGXCPU, run.stdout + run.stderr
