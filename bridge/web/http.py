"""The HTTP interface: one table of routes, from which the application and its description are made.

Every body is strict JSON, every error is problem details (`bridge.web.problems`). The routes
of lanes, macros, sections, transport, state and live are fixed; programs rely on them.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Awaitable, Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar, get_type_hints, is_typeddict

from aiohttp import web
from pydantic import BaseModel, ValidationError

from bridge.control.roles import demand
from bridge.protocol.command import Command
from bridge.protocol.roles import Role
from bridge.protocol.state import State
from bridge.web import bodies as b
from bridge.web.command_body import CommandBody
from bridge.web.problems import ProblemError
from bridge.web.wrong import checked, wrong_values

COMMAND_BYTES = 4 << 10  # a command is a few words
TEXT_BYTES = 2 * b.TEXT_MOST  # a set text as JSON, escapes included

BODY_S = 10.0  # generous for half a megabyte on a bad wireless network

ARCHIVE = "application/zip"
ARCHIVE_BYTES = 4 << 20  # a pack without recordings has a few ten thousand
MIDI = "audio/midi"
SVG = "image/svg+xml"
TAG = web.RequestKey("tag", str)  # the entity tag of what a handler answers

Run = Callable[[web.Request, Any], Awaitable[Any]]

Handler = TypeVar("Handler", bound=Run)


@dataclass(frozen=True, slots=True)
class Route:
    """One operation. `body` None: it takes none (an empty object is let through); `optional`: the
    body may be left out; `command`: the body makes a command with what the path says; `archive`: it
    is a zip archive, which `run` gets as bytes; `media`: what comes back where it is not JSON.
    `errors` are the statuses beyond those that any route can have. `role`: what a device must at
    least be let in as; unless told, that of the command, or to watch for what only asks, or to
    edit."""

    method: str
    path: str
    name: str
    says: str
    run: Run
    answer: Any = b.Done  # a model, or a type of the state
    body: type[BaseModel] | None = None
    optional: bool = False
    command: CommandBody | None = None
    query: type[BaseModel] | None = None
    errors: tuple[int, ...] = ()
    limit: int = COMMAND_BYTES
    media: str = "application/json"
    params: Mapping[str, str] = field(default_factory=dict)
    conditional: bool = False  # takes If-Match
    archive: bool = False
    role: Role | None = None
    older: bool = False  # deprecated: there is another path for it

    @property
    def takes_body(self) -> bool:
        return self.method in ("PUT", "POST")

    @property
    def needs(self) -> Role:
        """The role that it takes."""
        if self.role is not None:
            return self.role
        if self.command is not None:
            return self.command.command.ROW.role
        return "watch" if self.method == "GET" else "edit"


class Routes(list[Route]):
    """Operations, each described where its handler stands."""

    def add(
        self, method: str, path: str, name: str, says: str, **more: Any
    ) -> Callable[[Handler], Handler]:
        """Adds an operation that the decorated handler carries out. What the handler's annotations
        say of the body, the query and the answer need not be said again in `more`, the other
        fields of the `Route`."""

        def added(run: Handler) -> Handler:
            hints = get_type_hints(run)
            answer, given = hints.pop("return"), list(hints.values())[-1]
            said: dict[str, Any] = {}
            if is_typeddict(answer) or (isinstance(answer, type) and issubclass(answer, BaseModel)):
                said["answer"] = answer
            if isinstance(given, type) and issubclass(given, BaseModel):
                said["query" if method == "GET" else "body"] = given
            said["archive"] = given is bytes
            self.append(Route(method, path, name, says, run, **(said | more)))
            return run

        return added


def client_of(request: web.Request) -> str:
    """The name of the hand behind an HTTP request: its host."""
    return f"http {request.remote or 'local'}"


async def read_bytes(request: web.Request, limit: int) -> bytes:
    """The body, at most `limit` bytes of it; `ProblemError` 413 above that, 408 when it does not
    come within `BODY_S`."""
    try:
        async with asyncio.timeout(BODY_S):
            return await _read_bytes(request, limit)
    except TimeoutError:
        raise ProblemError(
            408, f"the body did not arrive within {BODY_S:g} s", {"Connection": "close"}
        ) from None


async def _read_bytes(request: web.Request, limit: int) -> bytes:
    too_large = ProblemError(413, f"the body may have at most {limit} bytes")
    if request.content_length is not None and request.content_length > limit:
        raise too_large
    parts: list[bytes] = []
    size = 0
    async for part in request.content.iter_chunked(16 << 10):
        size += len(part)
        if size > limit:
            raise too_large
        parts.append(part)
    return b"".join(parts)


async def read_body(request: web.Request, route: Route) -> BaseModel | Command | bytes:
    """The checked body of a request, or the command that it makes, or an archive as it is. Raises
    `ProblemError` 400, 413, 415, `CommandError`, `NotJSONError` or `WrongBodyError`."""
    data = await read_bytes(request, route.limit)
    if route.archive:
        if request.content_type != ARCHIVE:
            raise ProblemError(415, f"the body must be {ARCHIVE}", {"Accept": ARCHIVE})
        return data
    model = route.body or b.Nothing
    if route.command is not None and (not data or request.content_type == "application/json"):
        return route.command.read(request.match_info, data)
    if not data:
        if route.body is None or route.optional:
            return model()
        raise ProblemError(400, "a JSON body is needed")
    if request.content_type != "application/json":
        raise ProblemError(415, "the body must be application/json", {"Accept": "application/json"})
    return checked(model, data)


def read_query(request: web.Request, model: type[BaseModel] | None) -> BaseModel:
    """The checked query; members that no route knows are refused."""
    items = {k: v for k, v in request.query.items() if k != "token"}
    if model is None:
        if items:
            raise ProblemError(400, f"there is no query parameter '{next(iter(items))}' here")
        return b.Nothing()
    try:
        return model.model_validate(items)
    except ValidationError as error:
        wrong = wrong_values(error, items, model)[0]
        raise ProblemError(400, f"the query is wrong: {wrong.sentence}") from None


def handler(route: Route) -> Callable[[web.Request], Awaitable[web.StreamResponse]]:
    """The aiohttp handler of a route."""

    async def handle(request: web.Request) -> web.StreamResponse:
        demand(route.needs, route.name)
        given: BaseModel | Command | bytes = read_query(request, route.query)
        if route.takes_body:
            given = await read_body(request, route)
        elif route.command is not None:
            given = route.command.read(request.match_info, b"")
        answer = await route.run(request, given)
        if isinstance(answer, web.StreamResponse):
            return answer
        headers = {"Cache-Control": "no-store"}
        if TAG in request:
            headers["ETag"] = request[TAG]
        if isinstance(answer, BaseModel):
            text = answer.model_dump_json(by_alias=True, exclude_none=answer_without_none(answer))
            return web.Response(text=text, content_type="application/json", headers=headers)
        return web.json_response(answer, headers=headers)

    return handle


def answer_without_none(answer: BaseModel) -> bool:
    """Rows of a chart have hits or values, never both: the other is left out."""
    return isinstance(answer, b.ChartAnswer)


def state_route(full: Callable[[], State]) -> Route:
    """The whole state, as `full` gives it."""

    async def state(request: web.Request, query: object) -> State:
        return full()

    return Route("GET", "/api/state", "state", "The whole state.", state, answer=State)


def add_routes(app: web.Application, routes: list[Route]) -> None:
    """Adds the routes, each GET also as HEAD. A word that stands in one path where another has a
    name is no name there, so that each path has one meaning, and ``Allow`` says no more than is
    true of it.

    Args:
        app: before it starts.
        routes: all that it will have, at once: they are held against one another.
    """
    for route in routes:
        path = _guarded(route.path, {other.path for other in routes})
        app.router.add_route(route.method, path, handler(route))
        if route.method == "GET":
            app.router.add_route("HEAD", path, handler(route))


def _guarded(path: str, paths: Iterable[str]) -> str:
    """The path with a pattern for a name at its end that a word of another path excludes."""
    parts = path.split("/")
    if not parts[-1].startswith("{"):
        return path
    others = [other.split("/") for other in paths]
    words = sorted(o[-1] for o in others if o[:-1] == parts[:-1] and o[-1] != parts[-1])
    if not words:
        return path
    ends = "|".join(f"{re.escape(word)}$" for word in words)
    return "/".join([*parts[:-1], f"{{{parts[-1][1:-1]}:(?!{ends})[^{{}}/]+}}"])
