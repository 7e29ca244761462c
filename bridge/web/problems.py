"""Every error of the HTTP interface as problem details (RFC 9457), and our headers on every answer.

`type` is ``about:blank``, so `title` is the phrase of the status. Members of ours beside the
standard ones: `kind` (one of `KINDS`, for programs to act on), `errors` (one per wrong place:
`detail` and a JSON Pointer `pointer` into the body that was sent, as in the RFC's own example; what
is missing is told of the object that lacks it) and `problems` (what is wrong in a set text:
`message`, `path`, `line`, `column`).
"""

from __future__ import annotations

import http
import json
import logging
from collections.abc import Awaitable, Callable, Mapping
from typing import Literal, get_args

from aiohttp import web
from pydantic import ValidationError

from bridge.control.edits import ConflictError
from bridge.errors import CommandError, InputError, PlayerError
from bridge.web.wrong import NotJSONError, Wrong, WrongBodyError

log = logging.getLogger(__name__)

MEDIA_TYPE = "application/problem+json"
SAID_MOST = 3  # of all that is wrong with a body, in the one sentence for people
Kind = Literal[
    "busy",
    "conflict",
    "fault",
    "hand",
    "host",
    "method",
    "origin",
    "player",
    "request",
    "role",
    "size",
    "slow",
    "state",
    "taken",
    "token",
    "type",
    "unknown",
    "value",
]
KINDS: Mapping[Kind, str] = {
    "busy": "too much is asked for at once: wait, then ask again",
    "conflict": "somebody else has changed the same since it was read: read it again",
    "fault": "a fault of ours; the log of the service says more",
    "hand": "another hand is on the control: it will let go",
    "host": "the Host that was asked for is no name of this machine",
    "method": "this path does not take this method; Allow says which it takes",
    "origin": "a page of another site asks",
    "player": "the player is away: ask again in a second",
    "request": "this is not a good request: no JSON, no HTTP, a query that is not known",
    "role": "the device is let in, but not for this: see its role",
    "size": "the body is too large; it is not read",
    "slow": "the body did not come in time",
    "state": "not possible now: nothing to undo, no other set was open",
    "taken": "something of that name or at that place is there already: `replace` allows it",
    "token": "the token is missing or wrong",
    "type": "the body must be application/json",
    "unknown": "there is no such path, lane, macro, section or file",
    "value": "a value does not fit; `errors` and `problems` say where",
}
"""What a program can tell problems apart by. The English text may change, these words do not."""
assert tuple(KINDS) == get_args(Kind)
STATUS_OF_KIND = {
    "unknown": 404,
    "value": 422,
    "state": 409,
    "taken": 409,
    "hand": 409,
    "busy": 429,
    "role": 403,
}
KIND_OF_STATUS: Mapping[int, Kind] = {
    401: "token",
    403: "origin",
    404: "unknown",
    405: "method",
    408: "slow",
    413: "size",
    415: "type",
    421: "host",
    422: "value",
    429: "busy",
    500: "fault",
    503: "player",
}
"""Of problems that only HTTP knows; others are of the kind ``request``."""
# The names of RFC 9110; Python 3.11 still has the older ones.
PHRASES = {413: "Content Too Large", 422: "Unprocessable Content"}
Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


class ProblemError(Exception):
    """An error that only HTTP knows (wrong media type, body too large...)."""

    def __init__(self, status: int, detail: str, headers: Mapping[str, str] | None = None) -> None:
        self.status = status
        self.detail = detail
        self.headers = dict(headers or {})
        super().__init__(detail)


def phrase(status: int) -> str:
    return PHRASES.get(status) or http.HTTPStatus(status).phrase


def problem(status: int, detail: str, **extra: object) -> dict[str, object]:
    """A problem details object."""
    body: dict[str, object] = {
        "type": "about:blank",
        "title": phrase(status),
        "status": status,
        "detail": detail,
        "kind": KIND_OF_STATUS.get(status, "request"),
    }
    return body | extra


def describe(error: Exception) -> dict[str, object]:
    """The problem details of one of our own errors, of a model's or of anything else (500)."""
    match error:
        case ProblemError():
            return problem(error.status, error.detail)
        case ConflictError():
            return problem(412 if error.precondition else 409, str(error), kind="conflict")
        case CommandError():
            rows = [
                {"detail": text, "pointer": Wrong((name,), text).pointer}
                for name, text in error.fields.items()
            ]
            more: dict[str, object] = {"errors": rows} if rows else {}
            status = STATUS_OF_KIND.get(error.kind, 422)
            return problem(status, str(error), kind=error.kind, **more)
        case PlayerError():
            return problem(503, str(error), kind="player")
        case InputError():
            problems = [problem.facts() for problem in error.problems]
            return problem(422, "the text has mistakes", kind="value", problems=problems)
        case NotJSONError():
            return problem(400, f"the body cannot be read: {error}")
        case WrongBodyError():
            return _wrong(error)
        case ValidationError():
            return problem(422, _first(error), kind="value")
    return problem(500, "this is a fault of ours; the log says more")


def _wrong(error: WrongBodyError) -> dict[str, object]:
    errors = [{"detail": one.said, "pointer": one.pointer} for one in error.wrong]
    detail = "; ".join(one.sentence for one in error.wrong[:SAID_MOST])
    return problem(422, detail, kind="value", errors=errors)


def _first(error: ValidationError) -> str:
    """Of a command whose values come from elsewhere than the body, such as a name in the path."""
    row = error.errors(include_url=False)[0]
    most = row.get("ctx", {}).get("max_length")
    name = ".".join(map(str, row["loc"])) or "the command"
    return f"{name}: {'cannot be used' if most is None else f'at most {most} characters'}"


def respond(body: Mapping[str, object], headers: Mapping[str, str] | None = None) -> web.Response:
    return web.Response(
        status=int(str(body["status"])),
        body=json.dumps(body).encode(),
        content_type=MEDIA_TYPE,
        headers=headers,
    )


@web.middleware
async def problems(request: web.Request, handler: Handler) -> web.StreamResponse:
    """Turns whatever a handler raises into problem details.

    Args:
        request: named in the log and in the answer.
        handler: what answers it.

    Raises:
        web.HTTPException: an answer of a status below 400 passes.
        ConnectionResetError: nobody is there any more to be told anything.
    """
    try:
        return await handler(request)
    except web.HTTPException as error:
        if error.status < 400:
            raise
        keep = {k: v for k, v in error.headers.items() if k in ("Allow", "Retry-After")}
        return respond(problem(error.status, _say(error, request)), keep)
    except ProblemError as error:
        return respond(describe(error), error.headers)
    except PlayerError as error:
        return respond(describe(error), {"Retry-After": "1"})
    except (
        CommandError,
        ConflictError,
        InputError,
        ValidationError,
        WrongBodyError,
        NotJSONError,
    ) as error:
        return respond(describe(error))
    except ConnectionResetError:
        raise
    except Exception as error:
        log.exception("%s %s", request.method, request.path)
        return respond(describe(error))


def _say(error: web.HTTPException, request: web.Request) -> str:
    if isinstance(error, web.HTTPNotFound):
        return f"there is nothing at {request.path}"
    if isinstance(error, web.HTTPMethodNotAllowed):
        allowed = ", ".join(sorted(error.allowed_methods))
        return f"{request.path} does not take {error.method}; it takes {allowed}"
    return error.text or error.reason
