"""From a command to its HTTP request, and from an answer to its value or its error."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import quote

from bridge.errors import BridgeError, Exit
from bridge.protocol.command import Command, Http, encode


class UnreachableError(BridgeError, ConnectionError):
    """Nobody answers at the address."""

    exit = Exit.MACHINE


class RefusedError(BridgeError):
    """The service has refused a request.

    Attributes:
        status: the HTTP status.
        kind: a fixed word, such as ``unknown``, ``value``, ``state``, ``busy``; the page at
            ``/api`` lists them.
        problem: the whole of the problem details (RFC 9457).
    """

    def __init__(self, status: int, problem: Mapping[str, object]) -> None:
        self.status = status
        self.kind = str(problem.get("kind", "fault" if status >= 500 else "request"))
        self.problem = dict(problem)
        super().__init__(str(problem.get("detail") or f"refused with HTTP status {status}"))


@dataclass(frozen=True, slots=True)
class Request:
    """What is sent: `body` None is no body."""

    method: str
    path: str
    body: dict[str, object] | None = None


def request_of(command: Command) -> Request:
    """The request that carries out a command.

    Raises:
        ValueError: the command has no HTTP route, since it is about a page's own connection.
    """
    fields = encode(command)
    del fields["do"]
    for http in type(command).ROW.http:
        fixed = dict(http.fixed)
        named = _names(http)
        if all(fields.get(name) is not None for name in named) and fixed.items() <= fields.items():
            body = {k: v for k, v in fields.items() if k not in named and k not in fixed}
            path = re.sub(r"{(\w+)}", lambda m: quote(str(fields[m[1]]), safe=""), http.path)
            return Request(http.method, path, body if body and http.method != "DELETE" else None)
    raise ValueError(f"{type(command).ROW.do} cannot be sent over HTTP")


def _names(http: Http) -> list[str]:
    return re.findall(r"{(\w+)}", http.path)


def answer_of(status: int, media: str, data: bytes) -> object:
    """What an answer says.

    Args:
        status: its HTTP status.
        media: its media type, without parameters.
        data: its body.

    Returns:
        The decoded JSON, or the text of anything else.

    Raises:
        RefusedError: it is a problem.
    """
    text = data.decode("utf-8", "replace")
    value = _json(text) if media.endswith("json") else text
    if status >= 400:
        raise RefusedError(status, value if isinstance(value, dict) else {})
    return value


def _json(text: str) -> object:
    try:
        return json.loads(text)
    except ValueError:
        return None


def patched(target: object, patch: object) -> object:
    """The target with a JSON Merge Patch applied (RFC 7396); neither is changed."""
    if not isinstance(patch, dict):
        return patch
    result = dict(target) if isinstance(target, dict) else {}
    for name, value in patch.items():
        if value is None:
            result.pop(name, None)
        else:
            result[name] = patched(result.get(name), value)
    return result
