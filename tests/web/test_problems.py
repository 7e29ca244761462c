"""Problems: each says of which kind it is, by a word that programs can rely on."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from support.peers import get, raw_http

from bridge.control.edits import ConflictError
from bridge.errors import CommandError, InputError, PlayerError
from bridge.web.problems import KINDS, ProblemError, describe

PAGE = Path(__file__).parents[2] / "bridge/web/page/js"

# Request, status by RFC 9110 (413, 415, 421, 405: sections 15.5.14, .16, .20, .6), and our kind.
ASKED: list[tuple[str, str, Any, int, str]] = [
    ("GET", "/api/nothing", None, 404, "unknown"),
    ("GET", "/api/state?bars=2", None, 400, "request"),
    ("GET", "/api/chart?bars=99", None, 400, "request"),
    ("DELETE", "/api/state", None, 405, "method"),
    ("PATCH", "/api/lanes/kick/mute", {"muted": True}, 405, "method"),
    ("BREW", "/api/state", None, 400, "request"),
    ("PUT", "/api/lanes/kick/mute", b"{", 400, "request"),
    ("PUT", "/api/lanes/kick/mute", b"", 400, "request"),
    ("PUT", "/api/lanes/kick/mute", {"muted": 1}, 422, "value"),
    ("PUT", "/api/lanes/kick/mute", b" " * 5000, 413, "size"),
    ("PUT", "/api/set", b" " * (600 << 10), 413, "size"),
    ("PUT", "/api/lanes/kik/mute", {"muted": True}, 404, "unknown"),
    ("POST", "/api/undo", None, 409, "state"),
    ("PUT", "/api/set", {"text": "set: [", "when": "bar"}, 422, "value"),
    ("POST", "/api/set/open", {"file": "nothing.yaml"}, 404, "unknown"),
]


@pytest.mark.parametrize(
    ("method", "path", "body", "status", "kind"), ASKED, ids=lambda v: str(v)[:24]
)
async def test_what_is_refused_says_why(
    stage: Any, method: str, path: str, body: Any, status: int, kind: str
) -> None:
    sent: dict[str, Any] = {"json": body}
    if isinstance(body, bytes):
        sent = {"data": body, "headers": {"Content-Type": "application/json"}}
    async with stage.session.request(method, stage.base + path, **sent) as response:
        problem = await response.json(content_type="application/problem+json")
        assert (response.status, problem["status"], problem["kind"]) == (status, status, kind)
        assert problem["type"] == "about:blank"
        assert problem["detail"]
        if status == 405:
            assert response.headers["Allow"]  # RFC 9110, section 15.5.6: must be there


async def test_a_file_that_is_there_already(stage: Any) -> None:
    (stage.folder / "ebb.yaml").write_text("set: Ebb\nlanes: {a: {steps: x.}}\n", encoding="utf-8")
    status, problem, _ = await stage.call("POST", "/api/set/save-as", {"file": "ebb.yaml"})
    assert (status, problem["kind"]) == (409, "taken")


async def test_another_type_of_body(stage: Any) -> None:
    sent = {"data": b"set: x", "headers": {"Content-Type": "text/yaml"}}
    async with stage.session.put(stage.base + "/api/set", **sent) as response:
        problem = await response.json(content_type="application/problem+json")
        assert (response.status, problem["kind"]) == (415, "type")


# What is no HTTP, or more of it than there may be: still a problem, not a page of some library.
NOT_HTTP = [
    b"\x00\x01\x02\x03\r\n\r\n",
    b"#bundle\x00\x00\x00\x00\x00\x00\x00\x00\x01\r\n\r\n",
    b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03\r\n\r\n",  # a TLS hello
    b"GET\r\n\r\n",
    b"GET /api/state HTTP/9.9\r\nHost: localhost\r\n\r\n",
    b"GET /api/state HTTP/1.1\r\nHost localhost\r\n\r\n",
    b"GET /" + b"a" * 20_000 + b" HTTP/1.1\r\nHost: localhost\r\n\r\n",
    b"GET /api/state HTTP/1.1\r\nHost: localhost\r\nX: " + b"a" * 20_000 + b"\r\n\r\n",
    b"POST /api/undo HTTP/1.1\r\nHost: localhost\r\nContent-Length: -1\r\n\r\n",
    b"POST /api/undo HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n",
]


@pytest.mark.parametrize("data", NOT_HTTP, ids=range(len(NOT_HTTP)))
async def test_bytes_that_are_no_request(stage: Any, data: bytes) -> None:
    answer = await raw_http(stage.service.http_port, data)
    assert 400 <= answer.status < 500
    assert answer.headers["content-type"] == "application/problem+json"
    assert json.loads(answer.body)["kind"] == "request"


async def test_another_name_and_another_site(stage: Any) -> None:
    port = stage.service.http_port
    answer = await raw_http(port, get("/api/state", port, Host="evil.example"))
    assert (answer.status, json.loads(answer.body)["kind"]) == (421, "host")
    answer = await raw_http(port, get("/api/state", port, Origin="http://evil.example"))
    assert (answer.status, json.loads(answer.body)["kind"]) == (403, "origin")


@pytest.mark.parametrize(
    ("error", "status", "kind"),
    [
        (CommandError("x", "busy"), 429, "busy"),
        (CommandError("x", "hand"), 409, "hand"),
        (CommandError("x", "taken"), 409, "taken"),
        (CommandError("x", "state"), 409, "state"),
        (PlayerError("x"), 503, "player"),
        (InputError([]), 422, "value"),
        (ProblemError(401, "x"), 401, "token"),
        (ProblemError(408, "x"), 408, "slow"),
        (ZeroDivisionError(), 500, "fault"),
    ],
)
def test_our_own_errors(error: Exception, status: int, kind: str) -> None:
    described = describe(error)
    assert (described["status"], described["kind"]) == (status, kind)


def test_an_edit_that_was_overtaken() -> None:
    assert describe(ConflictError("x", False))["kind"] == "conflict"


async def test_the_description_lists_the_kinds(stage: Any) -> None:
    _, document, _ = await stage.call("GET", "/openapi.json")
    answer = document["components"]["schemas"]["ProblemAnswer"]
    assert sorted(answer["properties"]["kind"]["enum"]) == sorted(KINDS)
    assert "kind" in answer["required"]


def decisions() -> Iterator[str]:
    """Lines of the page that look into the text of a problem for what to do."""

    looks = re.compile(
        r"(detail|message)[^;]{0,40}\.(includes|match|startsWith|search)\(|/[^/]+/\w*\.test\([^)]*detail"
    )
    for path in sorted(PAGE.glob("*.js")):
        for line in path.read_text(encoding="utf-8").splitlines():
            if looks.search(line):
                yield f"{path.name}: {line.strip()}"


def test_the_page_decides_by_the_kind_and_never_by_the_text() -> None:
    assert list(decisions()) == []
