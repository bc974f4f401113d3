"""Serves a page that is in memory to a browser of the house: reads alone, one address, few clients, little time.

It is the standard library's HTTP server (RFC 9110): GET and HEAD of three names, nothing of the disk, no commands, no
cookies, nothing that a request says but its path and its host. Without encryption: whoever is in the network can read.
"""

import socket
import threading
import time
from collections.abc import Mapping, Sequence
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, HTTPServer
from ipaddress import ip_address
from socketserver import ThreadingMixIn
from typing import Any

import structlog

from saltern.errors import ConfigError
from saltern.report.today import POLICY

MOST_CLIENTS = 8
ANSWERED_WITHIN_S = 10.0
"""However slowly a client asks or reads, it is hung up on after so long."""

READS = ("GET", "HEAD")
TYPES = {"html": "text/html; charset=utf-8", "png": "image/png"}
HEADERS = {
    "Content-Security-Policy": f"{POLICY}; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cache-Control": "no-store",
}


class PageServer:
    """Serves files until it is closed, in threads of its own.

    Parameters
    ----------
    address, port
        Where; nothing else of this computer answers.
    names
        Host names by which browsers may ask. A page of a stranger whose name leads here (DNS rebinding) reads nothing.

    Raises
    ------
    ConfigError
        It cannot be served there.
    """

    def __init__(self, address: str, port: int, names: Sequence[str] = ()) -> None:
        known = {address.lower(), *(name.lower() for name in names)}
        if ip_address(address).is_loopback:
            known.add("localhost")
        try:
            self._server = _Server(address, port, known)
        except OSError as error:
            raise ConfigError(
                f"the page cannot be served ({error.strerror})",
                where=f"outlets.page {address} port {port}",
                remedy="Give an address of this computer, and a port that is free",
            ) from error
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.2,), name="page-server", daemon=True)
        self._thread.start()

    @property
    def port(self) -> int:
        return int(self._server.server_address[1])

    def show(self, files: Mapping[str, bytes]) -> None:
        """Serve these from now on, by their names; the index is at / too."""
        self._server.files = dict(files)

    def close(self) -> None:
        self._server.shutdown()
        self._server.hang_up(older_than_s=0.0)
        self._server.server_close()
        self._thread.join(timeout=2.0)


class _Server(ThreadingMixIn, HTTPServer):
    daemon_threads = True
    allow_reuse_address = True
    request_queue_size = MOST_CLIENTS

    def __init__(self, address: str, port: int, known: set[str]) -> None:
        if ip_address(address).version == 6:
            self.address_family = socket.AF_INET6
        self.known, self.files = known, {}
        self._since: dict[socket.socket, float] = {}
        self._lock = threading.Lock()
        super().__init__((address, port), _Handler)

    files: dict[str, bytes]

    def server_bind(self) -> None:
        """Bind, without asking a name server what the address is called."""
        self.socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self.socket.bind(self.server_address)
        self.server_address = self.socket.getsockname()
        self.server_name, self.server_port = str(self.server_address[0]), int(self.server_address[1])

    def verify_request(self, request: Any, client_address: Any) -> bool:
        """Take a client while there is room for it."""
        del client_address
        with self._lock:
            if len(self._since) >= MOST_CLIENTS:
                return False
            self._since[request] = time.monotonic()
            return True

    def shutdown_request(self, request: Any) -> None:
        with self._lock:
            self._since.pop(request, None)
        super().shutdown_request(request)

    def service_actions(self) -> None:
        self.hang_up(ANSWERED_WITHIN_S)

    def hang_up(self, older_than_s: float) -> None:
        """Hang up on clients that have taken so long."""
        with self._lock:
            late = [one for one, since in self._since.items() if time.monotonic() - since >= older_than_s]
        for one in late:
            try:
                one.shutdown(socket.SHUT_RDWR)
            except OSError:
                continue  # it has gone by itself

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Say nothing of a client that hung up, or was hung up on: it is its own matter."""


class _Handler(BaseHTTPRequestHandler):
    server: _Server
    timeout = ANSWERED_WITHIN_S
    server_version, sys_version = "saltern", ""
    error_message_format = "%(code)d %(message)s\n"
    error_content_type = "text/plain; charset=utf-8"

    def do_GET(self) -> None:
        self._answer(with_body=True)

    def do_HEAD(self) -> None:
        self._answer(with_body=False)

    def parse_request(self) -> bool:
        """Read a request's head; whatever it asks but to read is refused before anything else of it is looked at."""
        if not super().parse_request():
            return False
        if self.command in READS:
            return True
        self.send_error(HTTPStatus.METHOD_NOT_ALLOWED)
        return False

    def _answer(self, *, with_body: bool) -> None:
        if _host_of(self.headers.get("Host", "")) not in self.server.known:
            self.send_error(HTTPStatus.MISDIRECTED_REQUEST)
            return
        path = self.path.split("?", 1)[0]
        name = "index.html" if path == "/" else path.removeprefix("/")
        content = self.server.files.get(name)
        if content is None:
            drawn = bool(self.server.files)
            self.send_error(HTTPStatus.NOT_FOUND if drawn else HTTPStatus.SERVICE_UNAVAILABLE)
            return
        self.send_response(HTTPStatus.OK)
        self.send_header("Content-Type", TYPES[name.rpartition(".")[2]])
        self.send_header("Content-Length", str(len(content)))
        self.end_headers()
        if with_body:
            self.wfile.write(content)

    def end_headers(self) -> None:
        for name, value in HEADERS.items():
            self.send_header(name, value)
        if self.command not in READS:
            self.send_header("Allow", ", ".join(READS))
        super().end_headers()

    def log_message(self, format: str, *args: Any) -> None:  # noqa: A002 - the library's name
        """Log who was refused, and nothing of who reads."""

    def log_error(self, format: str, *args: Any) -> None:  # noqa: A002 - the library's name
        structlog.get_logger("saltern.page").debug("page.refused", client=self.client_address[0], why=format % args)


def _host_of(header: str) -> str:
    """Return the host that a request names, without its port: "tank.home:8020", "[::1]:8020"."""
    host = header.strip().lower()
    if host.startswith("["):
        return host[1:].split("]", 1)[0]
    return host.rsplit(":", 1)[0] if ":" in host else host
