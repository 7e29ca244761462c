"""The manual at ``/manual``: made when it is first asked for, then kept.

Its style stands in the page itself, so that a saved copy is whole; the policy names that one style
by its hash and allows nothing else but pictures that stand in the page.
"""

from __future__ import annotations

import asyncio
from functools import lru_cache

from aiohttp import web

from bridge.web.cached import File, answer, file_of


@lru_cache(maxsize=1)
def made() -> tuple[File, str]:
    """Makes the page (about a third of a second on a small computer); also its policy."""
    from bridge.paper import manual

    return file_of(manual.manual_html().encode(), "text/html; charset=utf-8"), policy()


def policy() -> str:
    """The policy of a page in the manual's look: it carries its style and has nothing else."""
    from bridge.paper import manual

    return (
        f"default-src 'none'; style-src {manual.style_source(manual.style())}; img-src data:; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )


async def serve(request: web.Request) -> web.Response:
    """GET or HEAD; 304 when the browser has it."""
    page, policy = await asyncio.to_thread(made)
    return answer(request, page, {"Content-Security-Policy": policy})


def add_manual(app: web.Application) -> None:
    app.router.add_get("/manual", serve)
