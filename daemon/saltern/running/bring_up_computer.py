"""What of the computer must be right before a pump is tried: clock, disk, supply, as the kernel's files have them.

A file that is not there says nothing, and is no complaint: other boards and other distributions have others.
"""

import shutil
from datetime import UTC, datetime
from pathlib import Path

from saltern.procedures.bring_up.site import Amiss

EARLIEST = datetime(2026, 1, 1, tzinfo=UTC)
"""Before this code was written: a computer without a battery starts in a year of its own."""

FREE_MB = 500
"""What a card should never lack: records, logs and an update of the system grow into it (assumed)."""

SYNCHRONIZED = "run/systemd/timesync/synchronized"
"""Touched by systemd-timesyncd once the clock was set (systemd-timesyncd.service(8))."""

TIMESYNC = "run/systemd/timesync"

LOW_VOLTAGE = "in0_lcrit_alarm"
"""Of the hwmon device `rpi_volt`: 1 while the supply is too low (Linux, drivers/hwmon/raspberrypi-hwmon.c)."""


def amiss_with_computer(now: datetime, records: Path | None, root: Path = Path("/")) -> list[Amiss]:
    """Return what is not as it must be, and what to type.

    Parameters
    ----------
    now
        By the computer's own clock.
    records
        The folder of the records; None where they are in memory.
    root
        Where the kernel's files stand; another folder in tests.
    """
    found: list[Amiss] = []
    if now < EARLIEST:
        found.append(Amiss(f"the clock says {now:%Y-%m-%d}", "set it: sudo timedatectl set-ntp true"))
    elif (root / TIMESYNC).is_dir() and not (root / SYNCHRONIZED).exists():
        found.append(Amiss("the clock was not set by the network yet", "wait for it: timedatectl timesync-status"))
    if records is not None and records.is_dir():
        free_mb = shutil.disk_usage(records).free / 1e6
        if free_mb < FREE_MB:
            found.append(Amiss(f"{free_mb:.0f} MB are free at {records}", "make room: sudo apt clean; df -h"))
    for device in sorted((root / "sys/class/hwmon").glob("hwmon*")):
        if _says(device / "name") == "rpi_volt" and _says(device / LOW_VOLTAGE) == "1":
            found.append(Amiss("the supply of the computer is too low", "take a stronger supply and a shorter cable"))
    return found


def _says(path: Path) -> str:
    try:
        return path.read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError):
        return ""
