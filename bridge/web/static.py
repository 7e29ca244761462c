"""The page's files, from memory: with validators, and packed where that helps.

Only files that stand in the folder are served, by their exact names; a path is looked up and never
joined. A file that changed on disk is read again.
"""

from __future__ import annotations

import asyncio
import mimetypes
from pathlib import Path

from aiohttp import web

from bridge.web.cached import File, answer, file_of
from bridge.web.manual_http import add_manual

PAGE = Path(__file__).parent / "page"
TYPES = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
    ".png": "image/png",
    ".webmanifest": "application/manifest+json",
    ".json": "application/json",
    ".woff2": "font/woff2",
}
PACKED = (".html", ".css", ".js", ".svg", ".webmanifest", ".json")


def read(path: Path) -> File:
    """Reads and packs one file."""
    media = TYPES.get(path.suffix) or mimetypes.guess_type(path.name)[0]
    media = media or "application/octet-stream"
    return file_of(path.read_bytes(), media, pack=path.suffix in PACKED)


class Page:
    """The files below `folder`, ready to be served at ``/``."""

    def __init__(self, folder: Path = PAGE) -> None:
        self._folder = folder
        self._files: dict[str, tuple[tuple[int, int], File]] = {}

    def find(self, name: str) -> File | None:
        """The file called `name` (``js/main.js``), read again when it changed; blocks on disk."""
        names = {
            str(p.relative_to(self._folder)): p
            for p in self._folder.rglob("*")
            if p.is_file() and p.suffix != ".ts"  # types are for the compiler, not for browsers
        }
        path = names.get(name)
        if path is None or any(part.startswith(".") for part in Path(name).parts):
            return None
        facts = path.stat()
        stamp = (facts.st_mtime_ns, facts.st_size)
        if self._files.get(name, ((), None))[0] != stamp:
            self._files[name] = (stamp, read(path))
        return self._files[name][1]

    async def serve(self, request: web.Request) -> web.StreamResponse:
        """GET or HEAD of ``/{name}``; 304 when the browser has it, 404 when there is none."""
        name = request.match_info.get("name") or "index.html"
        file = await asyncio.to_thread(self.find, name)
        if file is None:
            raise web.HTTPNotFound
        return answer(request, file)


def add_page(app: web.Application, page: Page) -> None:
    """Adds the routes of the page and its manual; they come last, after every other path.

    Args:
        app: with all its other routes, before it starts.
        page: the files, served at ``/``.
    """
    add_manual(app)
    app.router.add_get("/", page.serve)
    app.router.add_get("/{name:(?!api/).+}", page.serve)
