"""The page's files, from memory: with validators, and packed where that helps.

Only files that stand in the folder are served, by their exact names; a path is looked up and never
joined. A file that changed on disk is read again.
"""

from __future__ import annotations

import asyncio
import gzip
import hashlib
import mimetypes
from dataclasses import dataclass
from pathlib import Path

from aiohttp import web

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


@dataclass(frozen=True, slots=True)
class File:
    stamp: tuple[int, int]  # modification time in ns, size in bytes
    media: str
    plain: bytes
    packed: bytes | None
    tag: str


def read(path: Path) -> File:
    """Reads and packs one file."""
    facts = path.stat()
    plain = path.read_bytes()
    media = TYPES.get(path.suffix) or mimetypes.guess_type(path.name)[0]
    packed = gzip.compress(plain, 9, mtime=0) if path.suffix in PACKED else None
    if packed is not None and len(packed) >= len(plain):
        packed = None
    return File(
        (facts.st_mtime_ns, facts.st_size),
        media or "application/octet-stream",
        plain,
        packed,
        hashlib.sha256(plain).hexdigest()[:20],
    )


class Page:
    """The files below `folder`, ready to be served at ``/``."""

    def __init__(self, folder: Path = PAGE) -> None:
        self._folder = folder
        self._files: dict[str, File] = {}

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
        file = self._files.get(name)
        if file is None or file.stamp != (facts.st_mtime_ns, facts.st_size):
            file = self._files[name] = read(path)
        return file

    async def serve(self, request: web.Request) -> web.StreamResponse:
        """GET or HEAD of ``/{name}``; 304 when the browser has it, 404 when there is none."""
        name = request.match_info.get("name") or "index.html"
        file = await asyncio.to_thread(self.find, name)
        if file is None:
            raise web.HTTPNotFound
        accepts = "gzip" in request.headers.get("Accept-Encoding", "")
        packed = file.packed if accepts else None
        # Bytes that differ need tags that differ (RFC 9110, section 8.8.3.3).
        tag = f'"{file.tag}{"-z" if packed is not None else ""}"'
        # Always asked again, nearly always answered 304: an update is never half old.
        headers = {"ETag": tag, "Cache-Control": "no-cache", "Vary": "Accept-Encoding"}
        known = request.headers.get("If-None-Match", "").split(",")
        sent = {one.strip().removeprefix("W/") for one in known}
        if tag in sent or "*" in sent:
            return web.Response(status=304, headers=headers)
        headers["Content-Type"] = file.media
        if packed is not None:
            headers["Content-Encoding"] = "gzip"
        return web.Response(body=file.plain if packed is None else packed, headers=headers)


def add_page(app: web.Application, page: Page) -> None:
    """Adds the routes of the page and its manual; they come last, after every other path."""
    add_manual(app)
    app.router.add_get("/", page.serve)
    app.router.add_get("/{name:(?!api/).+}", page.serve)
