"""Who may ask a service, and who may act: by the groups that the kernel says a caller has.

Root, the service's own user and the members of its group may act. The members of the group `saltern-read` may read,
where there is such a group. Nobody else is answered.
"""

import array
import grp
import os
import socket
import struct
from enum import IntEnum

READERS = "saltern-read"
CREDENTIALS = struct.Struct("iII")  # struct ucred of unix(7): pid, uid, gid
SO_PEERGROUPS = 59  # asm-generic/socket.h; the module socket does not name it
MOST_GROUPS = 256  # getsockopt of the module socket takes 1024 bytes


class Rights(IntEnum):
    """What a caller may do."""

    NONE = 0
    READ = 1
    ACT = 2


def readers() -> int | None:
    """Return the group that may read, if this computer has it."""
    try:
        return grp.getgrnam(READERS).gr_gid
    except KeyError:
        return None


def rights_of(user: int, groups: set[int], reading: int | None) -> Rights:
    """Return what a user in these groups may do with the service that runs in this process."""
    if user in (0, os.geteuid()) or os.getegid() in groups:
        return Rights.ACT
    return Rights.READ if reading is not None and reading in groups else Rights.NONE


def rights_at(connection: socket.socket, reading: int | None) -> Rights:
    """Return what whoever called this connection may do, by its groups at the time of the call."""
    packed = connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, CREDENTIALS.size)
    _, user, group = CREDENTIALS.unpack(packed)
    try:
        groups = array.array("I", connection.getsockopt(socket.SOL_SOCKET, SO_PEERGROUPS, 4 * MOST_GROUPS))
    except OSError:  # more of them than that, or a kernel before 4.13: the first one counts alone
        groups = array.array("I")
    return rights_of(user, {group, *groups}, reading)
