"""The HTTP interface: one table of routes, from which the application and its description are made.

Every body is strict JSON, every error is problem details (`bridge.service.problems`). The routes
of lanes, macros, sections, transport, state and live are fixed; programs rely on them.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from aiohttp import web
from pydantic import BaseModel, ValidationError

from bridge.service import bodies as b
from bridge.service import commands as c
from bridge.service.control import Control
from bridge.service.problems import ProblemError
from bridge.service.wrong import checked, wrong_values

COMMAND_BYTES = 4 << 10  # a command is a few words
TEXT_BYTES = 2 * b.TEXT_MOST  # a set text as JSON, escapes included

Params = Mapping[str, str]
Run = Callable[[web.Request, Any], Awaitable[Any]]


@dataclass(frozen=True, slots=True)
class Route:
    """One operation. `body` None: it takes none (an empty object is let through); `optional`: the
    body may be left out; `media`: what comes back where it is not JSON. `errors` are the statuses
    beyond those that any route can have."""

    method: str
    path: str
    name: str
    says: str
    run: Run
    answer: type[BaseModel] = b.Done
    body: type[BaseModel] | None = None
    optional: bool = False
    query: type[BaseModel] | None = None
    errors: tuple[int, ...] = ()
    limit: int = COMMAND_BYTES
    media: str = "application/json"
    params: Mapping[str, str] = field(default_factory=dict)

    @property
    def takes_body(self) -> bool:
        return self.method in ("PUT", "POST")


def client_of(request: web.Request) -> str:
    """The name of the hand behind an HTTP request: its host."""
    return f"http {request.remote or 'local'}"


async def read_bytes(request: web.Request, limit: int) -> bytes:
    """The body, at most `limit` bytes of it; `ProblemError` 413 above that."""
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


async def read_body(request: web.Request, route: Route) -> BaseModel:
    """The checked body of a request. Raises `ProblemError` 400, 413, 415, `NotJSONError` or
    `WrongBodyError`."""
    data = await read_bytes(request, route.limit)
    model = route.body or b.Nothing
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
        given: BaseModel = read_query(request, route.query)
        if route.takes_body:
            given = await read_body(request, route)
        answer = await route.run(request, given)
        if isinstance(answer, web.StreamResponse):
            return answer
        headers = {"Cache-Control": "no-store"}
        if isinstance(answer, BaseModel):
            text = answer.model_dump_json(by_alias=True, exclude_none=answer_without_none(answer))
            return web.Response(text=text, content_type="application/json", headers=headers)
        return web.json_response(answer, headers=headers)

    return handle


def answer_without_none(answer: BaseModel) -> bool:
    """Rows of a chart have hits or values, never both: the other is left out."""
    return isinstance(answer, b.ChartAnswer)


def command_routes(control: Control) -> list[Route]:
    """One route per command; each ends when the player has applied it."""

    def act(make: Callable[[Params, Any], c.Command]) -> Run:
        async def run(request: web.Request, body: Any) -> b.Done:
            await control.do(make(request.match_info, body), client_of(request))
            return b.Done()

        return run

    lane = {"lane": "name of a lane"}
    named = (404, 409)
    return [
        Route(
            "PUT",
            "/api/lanes/{lane}/mute",
            "muteLane",
            "Takes a lane out or brings it in.",
            act(
                lambda p, x: c.Mute(
                    lane=p["lane"], muted=x.muted, when=x.when, return_bars=x.return_bars
                )
            ),
            body=b.MuteBody,
            errors=named,
            params=lane,
        ),
        Route(
            "DELETE",
            "/api/lanes/{lane}/pending",
            "cancelPending",
            "Takes back a mute that waits for its beat or bar.",
            act(lambda p, x: c.Cancel(lane=p["lane"])),
            errors=named,
            params=lane,
        ),
        Route(
            "DELETE",
            "/api/sections/{section}/pending",
            "cancelSection",
            "Takes back a section that waits for its beat or bar.",
            act(lambda p, x: c.Cancel(section=p["section"])),
            errors=named,
            params={"section": "name of a section"},
        ),
        Route(
            "POST",
            "/api/release",
            "release",
            "Ends everything that the sender holds.",
            act(lambda p, x: c.Release()),
            errors=(409,),
        ),
        Route(
            "PUT",
            "/api/lanes/{lane}/hold",
            "holdLane",
            "Begins, refreshes or ends a hold.",
            act(lambda p, x: c.Hold(lane=p["lane"], muted=x.muted, active=x.active)),
            body=b.HoldBody,
            errors=named,
            params=lane,
        ),
        Route(
            "PUT",
            "/api/lanes/{lane}/solo",
            "soloLane",
            "Solo of a lane.",
            act(lambda p, x: c.Solo(lane=p["lane"], on=x.on)),
            body=b.OnBody,
            errors=named,
            params=lane,
        ),
        Route(
            "PUT",
            "/api/lanes/{lane}/still",
            "stillLane",
            "Holds a drifting pattern still.",
            act(lambda p, x: c.Still(lane=p["lane"], on=x.on)),
            body=b.OnBody,
            errors=named,
            params=lane,
        ),
        Route(
            "POST",
            "/api/lanes/{lane}/reset",
            "resetLane",
            "Sends a lane to its first step.",
            act(lambda p, x: c.Reset(lane=p["lane"])),
            errors=named,
            params=lane,
        ),
        Route(
            "PUT",
            "/api/lanes/{lane}/settings/{setting}",
            "setLaneSetting",
            "Gives a numeric setting of a lane a new value.",
            act(lambda p, x: c.SettingMove(lane=p["lane"], setting=p["setting"], value=x.value)),
            body=b.ValueBody,
            errors=named,
            params={**lane, "setting": "name of a setting"},
        ),
        Route(
            "PUT",
            "/api/groups/{group}/mute",
            "muteGroup",
            "Mutes all lanes of a group.",
            act(
                lambda p, x: c.Group(
                    group=p["group"], muted=x.muted, when=x.when, return_bars=x.return_bars
                )
            ),
            body=b.MuteBody,
            errors=named,
            params={"group": "name of a group"},
        ),
        Route(
            "PUT",
            "/api/macros/{macro}",
            "moveMacro",
            "Moves a macro.",
            act(lambda p, x: c.MacroMove(macro=p["macro"], value=x.value)),
            body=b.UnitBody,
            errors=named,
            params={"macro": "name of a macro"},
        ),
        Route(
            "POST",
            "/api/sections/{section}",
            "recallSection",
            "Recalls a section.",
            act(
                lambda p, x: c.Recall(
                    section=p["section"], when=x.when, morph_bars=x.morph_bars, mutes_at=x.mutes_at
                )
            ),
            body=b.RecallBody,
            optional=True,
            errors=named,
            params={"section": "name of a section"},
        ),
        Route(
            "PUT",
            "/api/order",
            "runOrder",
            "Starts or stops the running order.",
            act(lambda p, x: c.Order(run=x.run, leg=x.leg)),
            body=b.RunBody,
            errors=(409,),
        ),
        Route(
            "POST",
            "/api/transport/start",
            "start",
            "Starts at the beginning.",
            act(lambda p, x: c.Start()),
            errors=(409,),
        ),
        Route(
            "POST",
            "/api/transport/stop",
            "stop",
            "Stops and closes every gate.",
            act(lambda p, x: c.Stop()),
            errors=(409,),
        ),
        Route(
            "POST",
            "/api/transport/continue",
            "continue",
            "Goes on from where it is.",
            act(lambda p, x: c.Continue()),
            errors=(409,),
        ),
        Route(
            "PUT",
            "/api/transport/position",
            "setPosition",
            "Moves to a tick.",
            act(lambda p, x: c.Position(tick=x.tick)),
            body=b.PositionBody,
            errors=(409,),
        ),
        Route(
            "PUT",
            "/api/tempo",
            "setTempo",
            "Sets the tempo of the internal clock.",
            act(lambda p, x: c.TempoMove(bpm=x.bpm)),
            body=b.TempoBody,
            errors=(409,),
        ),
        Route(
            "POST",
            "/api/tempo/tap",
            "tap",
            "One tap of the tempo.",
            act(lambda p, x: c.Tap()),
            errors=(409, 429),
        ),
        Route(
            "POST",
            "/api/tempo/nudge",
            "nudge",
            "Pushes or pulls the clock once.",
            act(lambda p, x: c.NudgeBy(ms=x.ms)),
            body=b.NudgeBody,
            errors=(409, 429),
        ),
        Route(
            "PUT",
            "/api/clock/offset",
            "setOffset",
            "Plays everything earlier or later.",
            act(lambda p, x: c.OffsetMove(ms=x.ms)),
            body=b.OffsetBody,
            errors=(409,),
        ),
        Route(
            "PUT",
            "/api/clock/source",
            "follow",
            "Chooses the clock to follow.",
            act(lambda p, x: c.Follow(source=x.source)),
            body=b.FollowBody,
            errors=named,
        ),
        Route(
            "POST",
            "/api/clock/take",
            "takeClock",
            "Takes over with the internal clock, without a jump.",
            act(lambda p, x: c.TakeClock()),
            errors=(409,),
        ),
        Route(
            "POST",
            "/api/all-out",
            "allOut",
            "Takes every lane out, now.",
            act(lambda p, x: c.AllOut()),
            errors=(409,),
        ),
        Route(
            "POST",
            "/api/outputs/{output}/try",
            "tryOutput",
            "Soundcheck of one output. Turn the monitors down first.",
            act(lambda p, x: c.Try(output=p["output"], action=x.action, value=x.value, ms=x.ms)),
            body=b.TryBody,
            errors=named,
            params={"output": "interface.output"},
        ),
    ]


def history_routes(control: Control) -> list[Route]:
    """Undo and redo."""

    async def undo(request: web.Request, body: Any) -> b.DoneStep:
        return b.DoneStep(label=await control.undo(client_of(request)))

    async def redo(request: web.Request, body: Any) -> b.DoneStep:
        return b.DoneStep(label=await control.redo(client_of(request)))

    async def history(request: web.Request, query: Any) -> b.HistoryList:
        done, undone = control.history.labels()
        return b.HistoryList(**control.history.summary(), done=done, undone=undone)

    return [
        Route(
            "GET",
            "/api/history",
            "history",
            "What can be undone and redone.",
            history,
            answer=b.HistoryList,
        ),
        Route(
            "POST",
            "/api/undo",
            "undo",
            "Takes back the last thing done by hand.",
            undo,
            answer=b.DoneStep,
            errors=(409,),
        ),
        Route(
            "POST",
            "/api/redo",
            "redo",
            "Repeats what was undone.",
            redo,
            answer=b.DoneStep,
            errors=(409,),
        ),
    ]


def state_route(full: Callable[[], dict[str, Any]]) -> Route:
    async def state(request: web.Request, query: Any) -> dict[str, Any]:
        return full()

    return Route("GET", "/api/state", "state", "The whole state.", state, answer=b.State)


def add_routes(app: web.Application, routes: list[Route]) -> None:
    for route in routes:
        app.router.add_route(route.method, route.path, handler(route))
        if route.method == "GET":
            app.router.add_route("HEAD", route.path, handler(route))
