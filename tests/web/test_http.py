"""Every route and every error, over a real connection; every answer against its own description."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Any

import jsonschema
import pytest
import yaml
from pydantic import ConfigDict, TypeAdapter

from bridge.protocol.limits import LAST_TICK
from bridge.web.command_http import command_routes, history_route
from bridge.web.http import COMMAND_BYTES, Route
from bridge.web.problems import PHRASES, phrase
from bridge.web.setbook_http import set_routes

STANDARDS = {
    entry["id"]: entry["value"]
    for entry in yaml.safe_load(
        (Path(__file__).parent.parent / "reference/web_standards.yaml").read_text("utf-8")
    )["entries"]
}
PROBLEM = STANDARDS["problem_media_type"]

# method, path, body, and the command the player gets for it (None: none).
GOOD: list[tuple[str, str, Any, dict[str, Any] | None]] = [
    (
        "PUT",
        "/api/lanes/kick/mute",
        {"muted": True},
        {"do": "mute", "lane": "kick", "muted": True, "when": "now"},
    ),
    (
        "PUT",
        "/api/lanes/kick/mute",
        {"muted": True, "when": 4, "return_bars": 2},
        {"do": "mute", "lane": "kick", "muted": True, "when": 4, "return_bars": 2},
    ),
    ("DELETE", "/api/lanes/kick/pending", None, {"do": "cancel", "lane": "kick"}),
    (
        "PUT",
        "/api/lanes/kick/hold",
        {"muted": True, "active": True},
        {"do": "hold", "lane": "kick", "muted": True, "active": True, "client": "http 127.0.0.1"},
    ),
    ("PUT", "/api/lanes/kick/solo", {"on": True}, {"do": "solo", "lane": "kick", "on": True}),
    ("PUT", "/api/lanes/kick/freeze", {"on": True}, {"do": "freeze", "lane": "kick", "on": True}),
    ("POST", "/api/lanes/kick/reset", None, {"do": "reset", "lane": "kick"}),
    (
        "PUT",
        "/api/lanes/kick/settings/chance",
        {"value": 0.5},
        {"do": "setting", "lane": "kick", "setting": "chance", "value": 0.5},
    ),
    (
        "PUT",
        "/api/lanes/kick/settings/chance",
        {"value": None},
        {"do": "setting", "lane": "kick", "setting": "chance", "value": None},
    ),
    (
        "PUT",
        "/api/groups/drums/mute",
        {"muted": True, "when": "bar"},
        {"do": "group", "group": "drums", "muted": True, "when": "bar"},
    ),
    (
        "PUT",
        "/api/macros/brightness",
        {"value": 1},
        {"do": "macro", "macro": "brightness", "value": 1.0},
    ),
    (
        "POST",
        "/api/sections/flood",
        None,
        {"do": "section", "section": "flood", "when": "bar", "morph_bars": 0},
    ),
    (
        "POST",
        "/api/sections/flood",
        {"when": "now", "morph_bars": 4},
        {"do": "section", "section": "flood", "when": "now", "morph_bars": 4},
    ),
    (
        "POST",
        "/api/sections/flood",
        {"morph_bars": 4, "mutes_at": 0.25},
        {"do": "section", "section": "flood", "when": "bar", "morph_bars": 4, "mutes_at": 0.25},
    ),
    ("DELETE", "/api/sections/flood/pending", None, {"do": "cancel", "section": "flood"}),
    ("POST", "/api/release", None, {"do": "release", "client": "http 127.0.0.1"}),
    ("PUT", "/api/order", {"run": True}, {"do": "order", "run": True}),
    ("PUT", "/api/order", {"run": True, "entry": 0}, {"do": "order", "run": True, "entry": 0}),
    ("DELETE", "/api/order/pending", None, {"do": "cancel", "order": True}),
    ("PUT", "/api/fill", {"active": True}, {"do": "fill", "active": True}),
    (
        "PUT",
        "/api/lanes/kick/fill",
        {"active": True},
        {"do": "fill", "lane": "kick", "active": True},
    ),
    (
        "PUT",
        "/api/groups/drums/fill",
        {"active": True},
        {"do": "fill", "group": "drums", "active": True},
    ),
    ("POST", "/api/lanes/kick/drop", None, {"do": "drop", "lane": "kick", "return_bars": 4}),
    (
        "POST",
        "/api/groups/drums/drop",
        {"return_bars": 2},
        {"do": "drop", "group": "drums", "return_bars": 2},
    ),
    ("PUT", "/api/pace", {"pace": -1}, {"do": "pace", "pace": -1}),
    ("PUT", "/api/groups/drums/pace", {"pace": 1}, {"do": "pace", "group": "drums", "pace": 1}),
    ("POST", "/api/order/next", None, {"do": "order-next", "when": "bar"}),
    ("POST", "/api/order/next", {"when": 4}, {"do": "order-next", "when": 4}),
    ("POST", "/api/transport/start", None, {"do": "start", "restart": False}),
    ("POST", "/api/transport/stop", {}, {"do": "stop"}),
    ("POST", "/api/transport/continue", None, {"do": "continue"}),
    ("PUT", "/api/transport/position", {"tick": 3840}, {"do": "position", "tick": 3840}),
    ("PUT", "/api/tempo", {"bpm": 133.33}, {"do": "tempo", "bpm": 133.33}),
    ("POST", "/api/tempo/tap", None, {"do": "tap"}),
    ("POST", "/api/tempo/nudge", {"ms": -5}, {"do": "nudge", "ms": -5.0}),
    ("PUT", "/api/clock/offset", {"ms": -12.5}, {"do": "offset", "ms": -12.5}),
    ("PUT", "/api/clock/source", {"source": "desk"}, {"do": "follow", "source": "desk"}),
    ("POST", "/api/clock/internal", None, {"do": "internal-clock"}),
    ("POST", "/api/mute-all", None, {"do": "mute-all"}),
    # What they were called before: they answer, and are described as deprecated.
    ("POST", "/api/all-out", None, {"do": "mute-all"}),
    ("POST", "/api/clock/take", None, {"do": "internal-clock"}),
    ("PUT", "/api/lanes/kick/still", {"on": True}, {"do": "freeze", "lane": "kick", "on": True}),
    (
        "POST",
        "/api/outputs/main.gate-1/try",
        {"action": "gate", "value": 0.5},
        {"do": "try", "output": "main.gate-1", "action": "gate", "value": 0.5},
    ),
    ("GET", "/api/state", None, None),
    ("GET", "/api/history", None, None),
    ("GET", "/api/set", None, None),
    ("GET", "/api/sets", None, None),
    ("GET", "/api/rig", None, None),
    ("GET", "/api/chart", None, None),
    ("GET", "/api/chart?bars=4", None, None),
    ("POST", "/api/set/check", {"text": "set: x"}, None),
    ("POST", "/api/set/save", None, None),
    ("POST", "/api/set/save-as", {"file": "other.yaml"}, None),
]


def schema_of(stage: Any, route: Route, status: int) -> dict[str, Any]:
    """The JSON Schema that the description gives for an answer, with its definitions."""
    description = stage.description
    operation = description["paths"][route.path][route.method.lower()]
    (content,) = operation["responses"][str(status)]["content"].values()
    return {**content["schema"], "components": description["components"]}


def check(stage: Any, method: str, path: str, status: int, body: Any) -> None:
    """The answer fits what the description says of this operation and status."""
    parts = path.partition("?")[0].split("/")
    for route in stage.service.routes():
        names = route.path.split("/")
        fits = len(names) == len(parts) and all(
            n == p or n.startswith("{") for n, p in zip(names, parts, strict=True)
        )
        if fits and route.method == method:
            jsonschema.Draft202012Validator(schema_of(stage, route, status)).validate(body)
            return
    raise AssertionError(f"{method} {path} is not described")


@pytest.fixture
async def described(stage: Any) -> Any:
    _, stage.description, _ = await stage.call("GET", "/openapi.json")
    return stage


async def test_every_route_does_what_it_says_and_answers_as_described(described: Any) -> None:
    stage = described
    for method, path, body, expected in GOOD:
        stage.player.received.clear()
        status, answer, response = await stage.call(method, path, body)
        assert status == 200, (path, answer)
        assert response.content_type == "application/json"
        assert response.headers["Cache-Control"] == "no-store"
        check(stage, method, path, status, answer)
        if expected is not None:
            assert stage.player.received == [expected], path
    used = {(m, p.partition("?")[0]) for m, p, _, _ in GOOD}
    service = stage.service
    ours = [
        *command_routes(service.control),
        history_route(service.control),
        *set_routes(service.book, service.charts, service.control),
    ]
    left = [r.name for r in ours if not any(_is(r, m, p) for m, p in used)]
    # tested in their own modules
    assert sorted(left) == [
        "backToSet",
        "clearLane",
        "continueTake",
        "copyLane",
        "keepBars",
        "loadSet",
        "openSet",
        "putSet",
        "randomiseLane",
        "redo",
        "undo",
    ]


def _is(route: Route, method: str, path: str) -> bool:
    names, parts = route.path.split("/"), path.split("/")
    return (
        route.method == method
        and len(names) == len(parts)
        and all(n == p or n.startswith("{") for n, p in zip(names, parts, strict=True))
    )


BAD: list[tuple[str, str, Any, int, str]] = [
    ("PUT", "/api/lanes/kik/mute", {"muted": True}, 404, "did you mean kick"),
    ("PUT", "/api/lanes/Kick/mute", {"muted": True}, 404, "did you mean kick"),
    ("PUT", "/api/macros/brightnes", {"value": 0}, 404, "did you mean brightness"),
    ("POST", "/api/sections/flod", None, 404, "did you mean flood"),
    ("PUT", "/api/groups/drum/mute", {"muted": True}, 404, "did you mean drums"),
    ("PUT", "/api/lanes/kick/settings/chanse", {"value": 0}, 404, "did you mean chance"),
    ("PUT", "/api/lanes/kick/settings/hz", {"value": 0}, 404, "has no setting 'hz'"),
    ("PUT", "/api/lanes/kick/settings/chance", {"value": 1.5}, 422, "from 0 to 1"),
    ("PUT", "/api/lanes/kick/settings/hits", {"value": 3.5}, 422, "whole number"),
    ("POST", "/api/outputs/main.gate-99/try", {"action": "gate", "value": 1}, 404, "main.gate-9"),
    ("PUT", "/api/lanes/kick/mute", {"muted": 1}, 422, "muted"),
    ("PUT", "/api/lanes/kick/mute", {"muted": "true"}, 422, "muted"),
    ("PUT", "/api/lanes/kick/mute", {}, 422, "muted"),
    ("PUT", "/api/lanes/kick/mute", {"muted": True, "wen": "now"}, 422, "wen"),
    ("PUT", "/api/lanes/kick/mute", {"muted": True, "when": "soon"}, 422, "when"),
    ("PUT", "/api/lanes/kick/mute", {"muted": True, "when": 0}, 422, "when"),
    ("PUT", "/api/lanes/kick/mute", {"muted": True, "when": 65}, 422, "when"),
    ("PUT", "/api/lanes/kick/mute", [], 422, "body"),
    ("PUT", "/api/macros/brightness", {"value": 1.01}, 422, "value"),
    ("PUT", "/api/macros/brightness", {"value": -0.01}, 422, "value"),
    ("PUT", "/api/macros/brightness", {"value": "0.5"}, 422, "value"),
    ("PUT", "/api/macros/brightness", {"value": None}, 422, "value"),
    ("PUT", "/api/tempo", {"bpm": 19.9}, 422, "bpm"),
    ("PUT", "/api/tempo", {"bpm": 400.1}, 422, "bpm"),
    ("PUT", "/api/clock/offset", {"ms": 100.1}, 422, "ms"),
    ("PUT", "/api/transport/position", {"tick": -1}, 422, "tick"),
    ("PUT", "/api/transport/position", {"tick": LAST_TICK + 1}, 422, "tick"),
    ("PUT", "/api/transport/position", {"tick": 1.5}, 422, "tick"),
    ("POST", "/api/transport/start", {"now": True}, 422, "now"),
    ("POST", "/api/undo", None, 409, "nothing to undo"),
    ("POST", "/api/redo", None, 409, "nothing to redo"),
    ("GET", "/api/chart?bars=9", None, 400, "bars"),
    ("GET", "/api/chart?bars=x", None, 400, "bars"),
    ("GET", "/api/chart?bar=2", None, 400, "bar"),
    ("GET", "/api/state?x=1", None, 400, "x"),
    ("POST", "/api/set/open", {"file": "missing.yaml"}, 404, "missing.yaml"),
    ("POST", "/api/set/open", {"file": "../rig.yaml"}, 422, "file"),
    ("POST", "/api/set/open", {"file": "rig.yaml"}, 404, "rig.yaml"),
    ("POST", "/api/set/save-as", {"file": ".hidden.yaml"}, 422, "file"),
    ("POST", "/api/set/save-as", {"file": "x.txt"}, 422, "file"),
]


async def test_what_is_wrong_is_said_and_nothing_is_sent(described: Any) -> None:
    stage = described
    for method, path, body, status, says in BAD:
        got, problem, response = await stage.call(method, path, body)
        assert got == status, (path, body, problem)
        assert response.content_type == PROBLEM
        assert says in problem["detail"], (path, body, problem)
        assert problem["status"] == got  # RFC 9457: must equal the actual status code
        assert problem["title"] == phrase(status)  # with about:blank the status phrase
        check(stage, method, path, status, problem)
        assert stage.player.received == []


async def raw(stage: Any, method: str, path: str, data: bytes, media: str | None) -> Any:
    headers = {} if media is None else {"Content-Type": media}
    skip = () if media is not None else ("Content-Type",)
    async with stage.session.request(
        method, stage.base + path, data=data, headers=headers, skip_auto_headers=skip
    ) as response:
        return response.status, json.loads(await response.read()), response


BODIES: list[tuple[bytes, str | None, int]] = [
    (b"", None, 400),
    (b"{", "application/json", 400),
    (b'{"value": NaN}', "application/json", 422),
    (b'{"value": Infinity}', "application/json", 422),
    (b'{"value": 1e999}', "application/json", 422),
    (b'{"value": "\xff"}', "application/json", 400),
    (b"[" * 3000, "application/json", 400),
    (b'{"value": 0.5}', None, 415),
    (b'{"value": 0.5}', "text/plain", 415),
    (b"value=0.5", "application/x-www-form-urlencoded", 415),
    (b'{"value": 0.5}' + b" " * COMMAND_BYTES, "application/json", 413),
]


async def test_bodies_that_are_not_what_they_should_be(described: Any) -> None:
    stage = described
    for data, media, status in BODIES:
        got, problem, response = await raw(stage, "PUT", "/api/macros/brightness", data, media)
        assert (got, response.content_type) == (status, PROBLEM), (data, problem)
        check(stage, "PUT", "/api/macros/brightness", status, problem)
    assert stage.player.received == []


async def test_a_body_of_unknown_length_is_cut_off_too(stage: Any) -> None:
    async def endless() -> Any:
        for _ in range(64):
            yield b" " * 4096

    async with stage.session.put(
        stage.base + "/api/macros/brightness",
        data=endless(),
        headers={"Content-Type": "application/json"},
    ) as response:
        assert response.status == 413


async def test_a_charset_beside_the_media_type_is_welcome(stage: Any) -> None:
    status, _, _ = await raw(
        stage, "PUT", "/api/macros/brightness", b'{"value": 0.5}', "application/json; charset=utf-8"
    )
    assert status == 200


async def test_nothing_there_and_not_allowed(stage: Any) -> None:
    for path in ("/api/nothing", "/nothing.html", "/api/", "/api/lanes/kick"):
        status, problem, response = await stage.call("GET", path)
        assert (status, problem["status"], response.content_type) == (404, 404, PROBLEM)
    status, problem, response = await stage.call("DELETE", "/api/macros/brightness")
    assert (status, response.content_type) == (405, PROBLEM)
    assert response.headers["Allow"] == "PUT"  # RFC 9110, 15.5.6: must list what is supported
    status, _, response = await stage.call("PUT", "/api/state", {})
    assert (status, set(response.headers["Allow"].split(","))) == (405, {"GET", "HEAD"})


async def test_names_of_statuses_are_those_of_the_standard() -> None:
    """RFC 9110, sections 15.5.14 and 15.5.21."""
    assert PHRASES[413] == STANDARDS["http_413_name"]
    assert PHRASES[422] == STANDARDS["http_422_name"]


async def test_head_is_get_without_content(stage: Any) -> None:
    """RFC 9110, section 9.3.2."""
    async with stage.session.head(stage.base + "/api/history") as response:
        assert response.status == 200
        assert await response.read() == b""


async def test_wrong_members_are_pointed_at(stage: Any) -> None:
    """As the second example of RFC 9457, section 3: a JSON Pointer into the request content."""
    _, problem, _ = await stage.call("PUT", "/api/macros/brightness", {"value": 2, "x/y": 1})
    pointers = {e["pointer"] for e in problem["errors"]}
    assert pointers == {"#/value", "#/x~1y"}  # RFC 6901 escapes the slash


async def test_what_the_player_refuses_is_a_conflict(stage: Any) -> None:
    stage.player.refuse = "no running order"
    status, problem, _ = await stage.call("PUT", "/api/order", {"run": True})
    assert (status, problem["kind"], problem["detail"]) == (409, "state", "no running order")


async def test_a_fault_of_ours_is_a_problem_too(stage: Any, monkeypatch: Any) -> None:
    monkeypatch.setattr(stage.service.control.history, "summary", lambda: 1 / 0)
    status, problem, response = await stage.call("GET", "/api/state")
    assert (status, response.content_type) == (500, PROBLEM)
    assert "division" not in json.dumps(problem)


async def test_taps_that_come_too_fast_are_refused(stage: Any) -> None:
    control = stage.service.control
    now = 100.0
    control._clock = lambda: now
    assert (await stage.call("POST", "/api/tempo/tap"))[0] == 200
    status, problem, _ = await stage.call("POST", "/api/tempo/tap")
    assert (status, problem["kind"]) == (429, "busy")


async def test_whole_numbers_may_be_written_with_a_point(stage: Any) -> None:
    """JSON Schema 2020-12, 6.1.1: 1.0 is an integer; so it is for every body and every field."""
    looked_at = 0
    for route in stage.service.routes():
        for name, field in (route.body.model_fields if route.body else {}).items():
            described: Any = Annotated[(field.annotation, field, *field.metadata)]
            adapter: TypeAdapter[Any] = TypeAdapter(described, config=ConfigDict(strict=True))
            if "integer" in json.dumps(adapter.json_schema()):
                looked_at += 1
                assert '"maximum"' in json.dumps(adapter.json_schema()), (route.path, name)
                value = adapter.validate_json("3.0")
                assert isinstance(value, int), (route.path, name)
    assert looked_at >= 5


async def test_allow_names_the_methods_of_the_very_path(stage: Any) -> None:
    """``learn`` stands where the name of a controller may: it is none."""
    async with stage.session.options(stage.base + "/api/controllers/learn") as response:
        assert response.status == 405
        assert set(response.headers["Allow"].split(",")) == {"POST", "DELETE"}
    status, problem, _ = await stage.call("PUT", "/api/controllers/learn", {"port": "pads"})
    assert (status, problem["kind"]) == (405, "method")
    assert (await stage.call("PUT", "/api/controllers/learner", {"port": "pads"}))[0] == 200
