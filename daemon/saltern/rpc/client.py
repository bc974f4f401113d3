"""The client: what the commands talk through."""

import json
import select
import socket
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from saltern.errors import NotRunningError, RemoteError
from saltern.rpc import messages

ANSWER_WITHIN_S = 10.0
AT_NEXT_REST_S = 300.0
"""What is written into the records waits until no pump turns: a drain takes some minutes at most."""


class Client:
    """A connection to a running service.

    Parameters
    ----------
    path
        Its socket.
    within_s
        How long to wait for it to take the call; None: as long as it takes.

    Raises
    ------
    NotRunningError
        Nobody answers there.
    """

    def __init__(self, path: Path, within_s: float | None = None) -> None:
        self._path = path
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._number = 0
        self._unread = b""
        try:
            self._socket.settimeout(within_s)
            self._socket.connect(str(path))
        except PermissionError as error:
            self._socket.close()
            raise NotRunningError(
                "you may not ask this service",
                where=str(path),
                remedy="Let root add you to the group saltern (to act) or saltern-read (to read), then log in again",
            ) from error
        except OSError as error:
            self._socket.close()
            raise NotRunningError(
                "no service answers here",
                where=str(path),
                remedy="See: systemctl status saltern. Start it: systemctl start saltern, or saltern daemon",
            ) from error

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._socket.close()

    def call(self, method: str, within_s: float | None = ANSWER_WITHIN_S, **params: Any) -> dict[str, Any]:
        """Call a method and return its result.

        Raises
        ------
        RemoteError
            The service answered with an error.
        NotRunningError
            It went away, or did not answer in time.
        """
        self._number += 1
        number = self._number
        with suppress(BrokenPipeError, ConnectionResetError):  # it has hung up, and may have said why
            self._socket.sendall(messages.request(number, method, params))
        for message in self._messages(within_s):
            refused = "error" in message and message.get("id") is None  # of the whole connection
            if message.get("id") != number and not refused:
                continue
            if "error" in message:
                error = message["error"]
                data = error.get("data") or {}
                raise RemoteError(
                    data.get("what", error["message"]),
                    where=data.get("where", str(self._path)),
                    remedy=data.get("remedy", "Check the log"),
                    code=int(error["code"]),
                )
            found: dict[str, Any] = message["result"]
            return found
        raise NotRunningError("the service gave no answer", where=str(self._path), remedy="Check its log")

    def notifications(self, within_s: float | None = None) -> Iterator[tuple[str, dict[str, Any]]]:
        """Yield (method, params) as they come, until the service goes away or the time is over."""
        for message in self._messages(within_s):
            if "method" in message:
                yield message["method"], message["params"]

    def first_of(self, other: int) -> bool:
        """Wait until something has come here, or on the descriptor `other`; return whether it was here."""
        if b"\n" in self._unread:
            return True
        here = self._socket.fileno()
        ready, _, _ = select.select([here, other], [], [])
        return here in ready

    def _messages(self, within_s: float | None) -> Iterator[dict[str, Any]]:
        until = None if within_s is None else time.monotonic() + within_s
        while True:
            while b"\n" in self._unread:
                line, self._unread = self._unread.split(b"\n", 1)
                yield json.loads(line)
            self._socket.settimeout(None if until is None else max(0.01, until - time.monotonic()))
            try:
                data = self._socket.recv(65536)
            except OSError:
                return
            if not data:
                return
            self._unread += data
