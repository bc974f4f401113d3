"""However many hang on to the socket, and whatever they leave lying there, somebody can still stop a pump."""

import json
import socket
from concurrent.futures import Future

import pytest

from saltern.cli.live import socket_of
from saltern.errors import SalternError
from saltern.rpc import protocol, server
from saltern.rpc.server import Server
from saltern.running.mailbox import MOST, Mailbox
from tests.processes import until

WITHIN_S = 30.0


@pytest.fixture
def crowd(tmp_path, monkeypatch):
    """A server with places for three, and a way to dial it."""
    monkeypatch.setattr(server, "MOST_CLIENTS", 3)
    monkeypatch.setattr(server, "RESERVED", 2)
    later, made = Future(), []
    handlers = {
        "hello": lambda _: {"version": 1},
        "status": lambda _: {"state": "idle"},
        "stop": lambda _: {"stopping": "a fill"},
        "follow": lambda _: {"running": None},
        "operate": lambda _: later,
    }
    serving = Server(tmp_path / "s.sock", handlers)

    def dial():
        connection = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        made.append(connection)
        connection.settimeout(WITHIN_S)
        connection.connect(str(tmp_path / "s.sock"))
        return connection

    yield dial
    for connection in made:
        connection.close()
    serving.close()


def ask(connection, method, **params):
    connection.sendall(json.dumps({"jsonrpc": "2.0", "id": 1, "method": method, "params": params}).encode() + b"\n")
    return answer(connection)


def answer(connection):
    data = b""
    while not data.endswith(b"\n"):
        more = connection.recv(65536)
        if not more:
            return None
        data += more
    return json.loads(data)


def test_a_full_house_has_a_place_for_stop_and_for_nothing_long(crowd):
    for connection in [crowd() for _ in range(3)]:
        assert "result" in ask(connection, "hello")
    late = crowd()

    assert ask(late, "stop")["result"] == {"stopping": "a fill"}
    assert ask(late, "status")["result"] == {"state": "idle"}
    refused = ask(late, "operate", words=["empty"])["error"]
    assert refused["code"] == protocol.BUSY
    assert "this place is for stop" in refused["data"]["what"]


def test_who_says_nothing_is_hung_up_on_and_who_follows_or_waits_is_not(crowd, monkeypatch):
    silent, follower, waits = crowd(), crowd(), crowd()
    ask(silent, "hello")
    ask(follower, "follow")
    waits.sendall(b'{"jsonrpc": "2.0", "id": 1, "method": "operate", "params": {"words": ["reset"]}}\n')
    monkeypatch.setattr(server, "IDLE_S", 0.2)

    assert silent.recv(1) == b""
    assert "result" in ask(follower, "status")
    waits.sendall(b'{"jsonrpc": "2.0", "id": 2, "method": "status", "params": {}}\n')
    assert answer(waits)["id"] == 2


def test_half_a_line_does_not_hold_a_place_for_good(crowd, monkeypatch):
    slow = crowd()
    slow.sendall(b'{"jsonrpc": "2.0",')
    monkeypatch.setattr(server, "IDLE_S", 0.2)
    assert slow.recv(1) == b""


def test_one_client_may_wait_for_so_many_answers_and_send_so_many_calls_together(crowd):
    greedy = crowd()
    call = {"jsonrpc": "2.0", "method": "operate", "params": {"words": ["reset"]}}
    lines = b"".join(json.dumps({**call, "id": n}).encode() + b"\n" for n in range(server.MOST_PENDING + 1))
    greedy.sendall(lines)
    assert answer(greedy)["error"]["code"] == protocol.BUSY

    batch = [{"jsonrpc": "2.0", "id": n, "method": "hello", "params": {}} for n in range(server.MOST_IN_A_BATCH + 1)]
    greedy.sendall(json.dumps(batch).encode() + b"\n")
    assert "too long" in answer(greedy)["error"]["data"]["what"]


def test_a_mailbox_takes_so_much_and_says_so():
    mailbox, done = Mailbox(), []
    for number in range(MOST):
        mailbox.put(lambda number=number: done.append(number))
    with pytest.raises(protocol.BusyError, match="already waiting for the bench"):
        mailbox.put(lambda: None)
    while (act := mailbox.take()) is not None:
        act()
    assert done == list(range(MOST))


@pytest.mark.parametrize("text", ['name = "kelp-room"\n[pumps\nthis is = no TOML', 'name = "kelp-room"\nwires = 7\n'])
def test_stop_and_status_find_their_service_by_a_bench_file_that_is_wrong(tmp_path, text):
    bench = tmp_path / "bench.toml"
    bench.write_text(text)
    serving = Server(tmp_path / "kelp-room.sock", {"hello": lambda _: {}})
    try:
        assert socket_of(bench, None) == tmp_path / "kelp-room.sock"
    finally:
        serving.close()
    until(lambda: not (tmp_path / "kelp-room.sock").exists())
    with pytest.raises(SalternError):
        socket_of(bench, None)
