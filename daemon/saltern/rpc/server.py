"""The server: one thread, non-blocking, so that no client can keep the bench waiting.

A handler runs in this thread and must not block; what takes the control thread answers with a future. Each client has a
bounded queue of what it has not read yet, and is dropped when it is full: a slow or dead one costs nobody anything.
"""

import json
import os
import selectors
import socket
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from math import isfinite
from pathlib import Path
from typing import Any

import structlog
from pydantic import ValidationError

from saltern.errors import ConfigError, SalternError, as_saltern_error
from saltern.model.commands import shortened
from saltern.rpc import messages, protocol
from saltern.rpc.rights import Rights, readers, rights_at

MOST_CLIENTS = 256
RESERVED, RESERVED_FOR = 8, frozenset({"hello", "status", "stop"})
"""Places beside these, and what may be asked there: however many hang on, somebody can still stop a pump."""

IDLE_S, RESERVED_IDLE_S = 600.0, 10.0
"""A client that neither follows nor waits for an answer, and says nothing for so long, is hung up on."""

MOST_PENDING, MOST_IN_A_BATCH = 32, 50
"""Answers that one client may wait for at a time, and calls that it may send together."""

MOST_UNREAD = 262_144
"""Bytes that a client may leave unread before it is dropped."""

MODE = 0o660
MODE_WITH_READERS = 0o666
"""A file has one group, and two may call: the kernel lets all in, and `rights` says at once who may stay."""

LONGEST_PATH = 100  # the kernel's limit is 108 bytes
ANSWERS_QUEUED = 10_000

Answer = dict[str, Any]
Handler = Callable[[Any], Answer | Future[Answer]]


@dataclass(eq=False)
class _Client:
    connection: socket.socket
    rights: Rights
    unread: bytearray = field(default_factory=bytearray)  # what it sent, up to the next line end
    unsent: bytearray = field(default_factory=bytearray)
    follows: bool = False
    reserved: bool = False
    pending: int = 0
    heard_s: float = field(default_factory=time.monotonic)

    def idle(self, now_s: float) -> bool:
        """Return whether it has said nothing for too long, and nothing is owed to it."""
        limit_s = RESERVED_IDLE_S if self.reserved else IDLE_S
        return self.pending == 0 and not self.follows and now_s - self.heard_s > limit_s


class Server:
    """Serves a table of handlers on a Unix socket.

    Parameters
    ----------
    path
        The socket; an old one that nobody serves is replaced.
    handlers
        By method name; each takes the validated parameters.

    Raises
    ------
    ConfigError
        The path is too long, cannot be made, or another service answers there.
    """

    def __init__(self, path: Path, handlers: Mapping[str, Handler]) -> None:
        self._path = path
        self._handlers = handlers
        self._clients: dict[socket.socket, _Client] = {}
        self._posted: deque[tuple[_Client | None, bytes]] = deque(maxlen=ANSWERS_QUEUED)
        self._readers = readers()
        self._listener = _listen(path, MODE if self._readers is None else MODE_WITH_READERS)
        self._woken, self._wake = socket.socketpair()
        for end in (self._woken, self._wake):
            end.setblocking(False)
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._listener, selectors.EVENT_READ)
        self._selector.register(self._woken, selectors.EVENT_READ)
        self._ending = False
        self._log = structlog.get_logger("saltern.rpc")
        self._thread = threading.Thread(target=self._serve, name="rpc", daemon=True)
        self._thread.start()

    def publish(self, method: str, params: Answer) -> None:
        """Send a notification to all who follow; returns at once, from any thread."""
        self._post(None, messages.notification(method, params))

    def close(self) -> None:
        """Stop serving; whoever is connected sees the end."""
        self._ending = True
        self._nudge()
        self._thread.join(timeout=2.0)
        for client in list(self._clients.values()):
            self._drop(client)
        for end in (self._listener, self._woken, self._wake):
            end.close()
        self._selector.close()
        self._path.unlink(missing_ok=True)

    # The thread -------------------------------------------------------------------------

    def _serve(self) -> None:
        while not self._ending:
            self._drop_idle()
            for key, mask in self._selector.select(timeout=1.0):
                if key.fileobj is self._listener:
                    self._accept()
                elif key.fileobj is self._woken:
                    self._deliver()
                else:
                    self._attend(self._clients.get(key.fileobj), mask)  # type: ignore[call-overload]

    def _drop_idle(self) -> None:
        now_s = time.monotonic()
        for client in [client for client in self._clients.values() if client.idle(now_s)]:
            self._drop(client)

    def _attend(self, client: _Client | None, mask: int) -> None:
        if client is None:
            return
        if mask & selectors.EVENT_READ:
            self._read(client)
        if mask & selectors.EVENT_WRITE and client.connection in self._clients:
            self._write(client)

    def _accept(self) -> None:
        try:
            connection, _ = self._listener.accept()
        except OSError:  # gone again, or no descriptor left: the next one may have more luck
            return
        if len(self._clients) >= MOST_CLIENTS + RESERVED:
            connection.close()
            return
        reserved = sum(1 for client in self._clients.values() if not client.reserved) >= MOST_CLIENTS
        connection.setblocking(False)
        rights = rights_at(connection, self._readers)
        if rights is Rights.NONE:
            _send_off(connection)
            return
        self._clients[connection] = _Client(connection, rights, reserved=reserved)
        self._selector.register(connection, selectors.EVENT_READ)

    def _read(self, client: _Client) -> None:
        try:
            data = client.connection.recv(65536)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            self._drop(client)
            return
        client.heard_s = time.monotonic()
        client.unread += data
        while (end := client.unread.find(b"\n")) >= 0:
            line, client.unread = bytes(client.unread[:end]), client.unread[end + 1 :]
            if line.strip():
                self._answer(client, line)
            if client.connection not in self._clients:
                return
        if len(client.unread) > protocol.LONGEST_MESSAGE:
            self._send(client, messages.lines(messages.failure(None, protocol.INVALID_REQUEST, "the line is too long")))
            self._drop(client)

    def _answer(self, client: _Client, line: bytes) -> None:
        try:
            message = json.loads(line)
        except (ValueError, RecursionError):
            answer = _unreadable("this line is not JSON", protocol.PARSE_ERROR)
            self._send(client, messages.lines(answer))
            return
        if isinstance(message, list):
            self._answer_batch(client, message)
            return
        self._call(client, message, lambda answer: self._post(client, messages.lines(answer)))

    def _answer_batch(self, client: _Client, batch: list[Any]) -> None:
        """Answer all together, as JSON-RPC 2.0 has it, when the last is done."""
        if not batch:
            answer = messages.failure(None, protocol.INVALID_REQUEST, "the batch is empty")
            self._send(client, messages.lines(answer))
            return
        if len(batch) > MOST_IN_A_BATCH:
            self._send(client, messages.lines(_unreadable("the batch is too long", protocol.INVALID_REQUEST)))
            return
        expected = sum(1 for message in batch if not _is_request(message) or "id" in message)
        answers: list[Answer] = []

        def gather(answer: Answer) -> None:
            answers.append(answer)
            if len(answers) == expected:
                self._post(client, messages.lines(answers))

        for message in batch:
            self._call(client, message, gather)

    def _call(self, client: _Client, message: Any, reply: Callable[[Answer], None]) -> None:
        number = message.get("id") if isinstance(message, dict) else None
        wanted = not isinstance(message, dict) or "id" in message

        def answer(what: Answer) -> None:
            if wanted:
                reply(what)

        if not _is_request(message):
            reply(_unreadable("this is not a JSON-RPC 2.0 request", protocol.INVALID_REQUEST))
            return
        model, handler = protocol.METHODS.get(message["method"]), self._handlers.get(message["method"])
        if model is None or handler is None:
            unknown = ConfigError(
                f"there is no method {shortened(message['method'])!r}",
                where="socket",
                remedy=f"These are: {', '.join(protocol.METHODS)}",
            )
            answer(protocol.failure_of(number, unknown, protocol.NO_SUCH_METHOD))
            return
        if client.rights < Rights.ACT and message["method"] not in protocol.READING:
            answer(protocol.failure_of(number, _reads_only(message["method"]), protocol.FAILED))
            return
        if client.reserved and message["method"] not in RESERVED_FOR:
            answer(protocol.failure_of(number, _crowded(message["method"]), protocol.BUSY))
            return
        if client.pending >= MOST_PENDING:
            waits = protocol.BusyError(
                f"{MOST_PENDING} of your calls wait already", where=message["method"], remedy="Wait for their answers"
            )
            answer(protocol.failure_of(number, waits, protocol.BUSY))
            return
        try:
            outcome = handler(model.model_validate(message.get("params", {})))
        except ValidationError as error:
            wrong = ConfigError(
                protocol.problems(error),
                where=message["method"],
                remedy="Correct it; what each method takes, this prints: saltern check --rpc-schema",
            )
            answer(protocol.failure_of(number, wrong, protocol.INVALID_PARAMS))
            return
        except SalternError as error:
            answer(
                protocol.failure_of(
                    number, as_saltern_error(error, message["method"]), getattr(error, "rpc_code", None)
                )
            )
            return
        except Exception as error:  # noqa: BLE001 - a mistake of ours must not take the socket from the keeper
            self._log.exception("rpc.handler_failed", method=message["method"])
            answer(protocol.failure_of(number, as_saltern_error(error, message["method"]), protocol.FAILED))
            return
        if message["method"] == "follow":
            client.follows = True
        if isinstance(outcome, Future):
            client.pending += 1
            outcome.add_done_callback(lambda done: self._settle(client, partial(answer, _outcome(number, done))))
        else:
            answer(messages.result(number, outcome))

    def _settle(self, client: _Client, reply: Callable[[], None]) -> None:
        """Give an answer that took its time; called in the thread that came by it."""
        client.pending -= 1
        client.heard_s = time.monotonic()
        reply()

    # Sending ------------------------------------------------------------------------------

    def _post(self, client: _Client | None, data: bytes) -> None:
        self._posted.append((client, data))
        self._nudge()

    def _nudge(self) -> None:
        try:
            self._wake.send(b"!")
        except OSError:  # it is awake already, or gone
            return

    def _deliver(self) -> None:
        try:
            self._woken.recv(4096)
        except BlockingIOError:
            return
        while self._posted:
            client, data = self._posted.popleft()
            for receiver in [c for c in self._clients.values() if c.follows] if client is None else [client]:
                if receiver.connection in self._clients:
                    self._send(receiver, data)

    def _send(self, client: _Client, data: bytes) -> None:
        if len(client.unsent) + len(data) > MOST_UNREAD:
            self._log.info("rpc.client_dropped", reason="it does not read")
            self._drop(client)
            return
        client.unsent += data
        self._write(client)

    def _write(self, client: _Client) -> None:
        try:
            sent = client.connection.send(client.unsent)
        except BlockingIOError:
            sent = 0
        except OSError:
            self._drop(client)
            return
        del client.unsent[:sent]
        events = selectors.EVENT_READ | (selectors.EVENT_WRITE if client.unsent else 0)
        self._selector.modify(client.connection, events)

    def _drop(self, client: _Client) -> None:
        if self._clients.pop(client.connection, None) is not None:
            self._selector.unregister(client.connection)
            client.connection.close()


def _is_request(message: Any) -> bool:
    return (
        isinstance(message, dict)
        and message.get("jsonrpc") == "2.0"
        and isinstance(message.get("method"), str)
        and isinstance(message.get("params", {}), dict)
        and _is_id(message.get("id"))
    )


def _is_id(number: object) -> bool:
    """Return whether an answer can carry this id: a short text, or a number that JSON has."""
    if isinstance(number, str):
        return len(number) <= protocol.LONGEST_TEXT
    if isinstance(number, float):
        return isfinite(number)
    return number is None or (isinstance(number, int) and not isinstance(number, bool))


def _unreadable(what: str, code: int) -> Answer:
    error = ConfigError(what, where="socket", remedy="Send one request a line: version, id, method, named parameters")
    return protocol.failure_of(None, error, code)


def _outcome(number: object, done: "Future[Answer]") -> Answer:
    error = done.exception()
    if error is None:
        return messages.result(number, done.result())
    if isinstance(error, Exception):
        return protocol.failure_of(number, as_saltern_error(error, "service"))
    raise error


def _reads_only(method: str) -> protocol.ReaderError:
    return protocol.ReaderError(
        "you may read, and not act",
        where=method,
        remedy="Let root add you to the group saltern, then log in again",
    )


def _crowded(method: str) -> protocol.BusyError:
    return protocol.BusyError(
        f"{MOST_CLIENTS} others are connected; this place is for stop and status",
        where=method,
        remedy="Close terminals that you do not need",
    )


def _send_off(connection: socket.socket) -> None:
    """Say why, as far as it is heard, and hang up; nothing is read from a stranger."""
    error = protocol.ReaderError(
        "you may not ask this service",
        where="socket",
        remedy="Let root add you to the group saltern (to act) or saltern-read (to read), then log in again",
    )
    with suppress(OSError):
        connection.send(messages.lines(protocol.failure_of(None, error, protocol.FAILED)))
    connection.close()


def _listen(path: Path, mode: int) -> socket.socket:
    if len(os.fsencode(path)) > LONGEST_PATH:
        raise ConfigError(
            f"the socket's path is longer than {LONGEST_PATH} bytes",
            where=str(path),
            remedy="Set service.socket to a shorter one",
        )
    if path.is_socket():
        _refuse_a_served_one(path)
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        if path.is_socket():
            path.unlink()
        listener.bind(str(path))
        path.chmod(mode)
        listener.listen(MOST_CLIENTS)
        listener.setblocking(False)
    except OSError as error:
        listener.close()
        raise ConfigError(
            f"the socket cannot be made ({error.strerror or error})",
            where=str(path),
            remedy="Set service.socket to a folder that exists and is writable",
        ) from error
    return listener


def _refuse_a_served_one(path: Path) -> None:
    probe = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        probe.settimeout(0.5)
        probe.connect(str(path))
    except OSError:
        return  # a dead service left it
    finally:
        probe.close()
    raise ConfigError("another service answers here", where=str(path), remedy="Stop that one first")
