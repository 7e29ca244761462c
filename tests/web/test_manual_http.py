"""The manual over HTTP: strict policy, validators, and the token where one is needed."""

from __future__ import annotations

from typing import Any

from bridge.paper.manual import manual_html, style, style_source
from bridge.web.manual_http import made


async def test_the_manual_is_served_with_a_policy_that_allows_its_one_style(stage: Any) -> None:
    async with stage.session.get(f"{stage.base}/manual") as response:
        assert response.status == 200
        assert style() in await response.text()
    assert response.headers["Content-Type"] == "text/html; charset=utf-8"
    policy = response.headers["Content-Security-Policy"]
    assert response.headers.getall("Content-Security-Policy") == [policy]
    parts = dict(part.strip().split(" ", 1) for part in policy.split(";"))
    assert parts["default-src"] == "'none'"
    assert parts["style-src"] == style_source(style())
    assert parts["img-src"] == "data:"
    assert "unsafe" not in policy
    assert response.headers["X-Content-Type-Options"] == "nosniff"


async def test_the_manual_is_not_sent_twice(stage: Any) -> None:
    async with stage.session.get(f"{stage.base}/manual") as response:
        tag = response.headers["ETag"]
    headers = {"If-None-Match": tag}
    async with stage.session.get(f"{stage.base}/manual", headers=headers) as again:
        assert (again.status, await again.read()) == (304, b"")
        assert again.headers["ETag"] == tag


def test_what_is_kept_is_the_manual() -> None:
    page, _ = made()
    assert page.plain.decode() == manual_html()
    assert page.packed
    assert len(page.body) < 150_000  # half of it pictures of the page


async def test_other_answers_keep_their_policy(stage: Any) -> None:
    _, _, response = await stage.call("GET", "/api/state")
    assert "script-src 'self'" in response.headers["Content-Security-Policy"]
