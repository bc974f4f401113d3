"""What a test does to a child before it begins: which processor it gets, and whether real-time priority."""

import ctypes
import os
import resource

PR_CAPBSET_DROP, CAP_SYS_NICE = 24, 23  # linux/prctl.h, linux/capability.h


def refuse_real_time() -> None:
    """Let the program have no real-time priority, whoever runs it."""
    ctypes.CDLL(None).prctl(PR_CAPBSET_DROP, CAP_SYS_NICE, 0, 0, 0)
    resource.setrlimit(resource.RLIMIT_RTPRIO, (0, 0))


def share(processor: int) -> None:
    """Let the program have this processor alone."""
    os.sched_setaffinity(0, {processor})


def starve(processor: int) -> None:
    """Do both."""
    share(processor)
    refuse_real_time()
