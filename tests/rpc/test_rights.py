"""Who may ask a service and who may act: told by the kernel, in real processes of other users."""

import grp
import json
import os
import subprocess
import sys

import pytest

from saltern.rpc import protocol, rights, server
from saltern.rpc.rights import Rights, rights_of
from saltern.rpc.server import Server

READERS, STRANGER = 54321, 54322
"""Numbers of groups and users that no machine has."""

as_root = pytest.mark.skipif(os.geteuid() != 0, reason="only root can be another user")

ASKS = """
import json, os, sys
from pathlib import Path
from saltern.errors import NotRunningError, RemoteError
from saltern.rpc.client import Client
user, groups = int(sys.argv[2]), json.loads(sys.argv[3])
os.setgroups(groups), os.setgid(user), os.setuid(user)  # now, for others may not enter the folder of this python
for method in sys.argv[4:]:
    try:
        with Client(Path(sys.argv[1]), within_s=5.0) as client:
            answer = client.call(method)
    except (RemoteError, NotRunningError) as error:
        answer = str(error)
    print(json.dumps(answer))
"""


def test_root_the_services_user_and_its_group_act_readers_read_and_others_do_nothing():
    mine, group = os.geteuid(), os.getegid()
    other = mine + 1
    assert rights_of(0, set(), READERS) is Rights.ACT
    assert rights_of(mine, set(), None) is Rights.ACT
    assert rights_of(other, {group, 7}, READERS) is Rights.ACT
    assert rights_of(other, {READERS, 7}, READERS) is Rights.READ
    assert rights_of(other, {READERS}, None) is Rights.NONE
    assert rights_of(other, {7}, READERS) is Rights.NONE


def test_every_method_that_may_be_read_is_one_and_what_moves_or_changes_is_not_among_them():
    assert set(protocol.METHODS) > protocol.READING
    assert not protocol.READING & {
        "measure",
        "stop",
        "operate",
        "log",
        "guide",
        "answer",
        "reload",
        "away",
        "roll-back",
    }


@pytest.fixture
def open_to(tmp_path, monkeypatch):
    """Serve in a folder that everybody may enter, on a computer with or without a group of readers."""
    made = []

    def serve(readers):
        monkeypatch.setattr(server, "readers", lambda: readers)
        tmp_path.chmod(0o755)
        made.append(
            Server(
                tmp_path / "s.sock",
                {"hello": lambda _: {"version": 1}, "status": lambda _: {"state": "idle"}, "stop": lambda _: {}},
            )
        )
        return tmp_path / "s.sock"

    yield serve
    for one in made:
        one.close()


def ask(path, *methods, groups=()):
    """Ask as another user; return an answer or an error's words for each method."""
    for folder in path.parents:
        if folder.stat().st_mode & 0o001 == 0:
            folder.chmod(folder.stat().st_mode | 0o011)  # pytest's folders are for one user
    done = subprocess.run(
        [sys.executable, "-c", ASKS, str(path), str(STRANGER), json.dumps(groups), *methods],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    return [json.loads(line) for line in done.stdout.splitlines()]


@as_root
def test_a_sitter_reads_and_does_not_act(open_to):
    path = open_to(READERS)
    hello, status, stop = ask(path, "hello", "status", "stop", groups=[READERS])

    assert hello == {"version": 1}
    assert status == {"state": "idle"}
    assert "you may read, and not act" in stop
    assert "group saltern" in stop


@as_root
def test_who_is_in_the_services_group_acts(open_to):
    assert ask(open_to(READERS), "stop", groups=[os.getegid()]) == [{}]


@as_root
def test_a_stranger_is_told_why_and_hung_up_on(open_to):
    (status,) = ask(open_to(READERS), "status")
    assert "you may not ask this service" in status
    assert "saltern-read" in status


@as_root
def test_without_a_group_of_readers_the_kernel_keeps_strangers_out(open_to):
    (status,) = ask(open_to(None), "status", groups=[READERS])
    assert "you may not ask this service" in status


def test_the_group_of_readers_is_found_by_its_name(monkeypatch):
    names = {group.gr_name: group.gr_gid for group in grp.getgrall()}
    assert rights.readers() == names.get(rights.READERS)
    monkeypatch.setattr(rights, "READERS", "root")
    assert rights.readers() == 0
