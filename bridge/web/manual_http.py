"""The manual at ``/manual``: made when it is first asked for, then kept.

Its style stands in the page itself, so that a saved copy is whole; the policy names that one style
by its hash and allows nothing else.
"""

from __future__ import annotations

import asyncio
import gzip
from functools import lru_cache
from hashlib import sha256
from typing import NamedTuple

from aiohttp import web


class Made(NamedTuple):
    """The page as it is sent: packed, its tag, and its policy."""

    plain: bytes
    packed: bytes
    tag: str
    policy: str


@lru_cache(maxsize=1)
def made() -> Made:
    """Makes the page (about a third of a second on a small computer)."""
    from bridge.paper import manual

    plain = manual.manual_html().encode()
    tag = sha256(plain).hexdigest()[:20]
    return Made(plain, gzip.compress(plain, 9, mtime=0), tag, policy())


def policy() -> str:
    """The policy of a page in the manual's look: it carries its style and has nothing else."""
    from bridge.paper import manual

    return (
        f"default-src 'none'; style-src {manual.style_source(manual.style())}; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )


async def serve(request: web.Request) -> web.Response:
    """GET or HEAD; 304 when the browser has it."""
    page = await asyncio.to_thread(made)
    packed = "gzip" in request.headers.get("Accept-Encoding", "")
    tag = f'"{page.tag}{"-z" if packed else ""}"'
    headers = {
        "ETag": tag,
        "Cache-Control": "no-cache",
        "Vary": "Accept-Encoding",
        "Content-Security-Policy": page.policy,
    }
    if request.headers.get("If-None-Match") == tag:
        return web.Response(status=304, headers=headers)
    headers["Content-Type"] = "text/html; charset=utf-8"
    if packed:
        headers["Content-Encoding"] = "gzip"
    return web.Response(body=page.packed if packed else page.plain, headers=headers)


def add_manual(app: web.Application) -> None:
    app.router.add_get("/manual", serve)
