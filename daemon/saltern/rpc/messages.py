"""Messages of JSON-RPC 2.0 as they go over the socket: one a line.

A client needs no more than this: what methods take, and what that costs to load, is `protocol`'s.
"""

import json
from typing import Any


def request(number: int, method: str, params: dict[str, Any]) -> bytes:
    return _line({"jsonrpc": "2.0", "id": number, "method": method, "params": params})


def result(number: object, value: Any) -> dict[str, Any]:
    return {"jsonrpc": "2.0", "id": number, "result": value}


def failure(number: object, code: int, message: str, data: dict[str, Any] | None = None) -> dict[str, Any]:
    error: dict[str, Any] = {"code": code, "message": message}
    if data is not None:
        error["data"] = data
    return {"jsonrpc": "2.0", "id": number, "error": error}


def notification(method: str, params: dict[str, Any]) -> bytes:
    return _line({"jsonrpc": "2.0", "method": method, "params": params})


def _line(message: Any) -> bytes:
    return json.dumps(message, separators=(",", ":")).encode() + b"\n"


def lines(message: Any) -> bytes:
    """Return a message as it goes over the wire."""
    return _line(message)
