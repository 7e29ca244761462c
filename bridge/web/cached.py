"""Files that a browser keeps and asks for again: a tag, packed or plain, 304 when it has them."""

from __future__ import annotations

import gzip
from collections.abc import Mapping
from dataclasses import dataclass
from hashlib import sha256

from aiohttp import web


@dataclass(frozen=True, slots=True)
class File:
    """A file as it is sent. `body` is packed with gzip if that is shorter (`packed`); `tag`
    identifies its content."""

    media: str
    body: bytes
    packed: bool
    tag: str

    @property
    def plain(self) -> bytes:
        """Its bytes without packing, for the rare browser that does not accept gzip."""
        return gzip.decompress(self.body) if self.packed else self.body


def file_of(plain: bytes, media: str, *, pack: bool = True) -> File:
    """A file of these bytes; `pack` says that packing may make it shorter."""
    packed = gzip.compress(plain, 9, mtime=0) if pack else plain
    shorter = len(packed) < len(plain)
    return File(media, packed if shorter else plain, shorter, sha256(plain).hexdigest()[:20])


def answer(request: web.Request, file: File, more: Mapping[str, str] | None = None) -> web.Response:
    """The answer to GET or HEAD, with `more` headers; 304 when the browser has the file."""
    packed = file.packed and "gzip" in request.headers.get("Accept-Encoding", "")
    # Bytes that differ need tags that differ (RFC 9110, section 8.8.3.3).
    tag = f'"{file.tag}{"-z" if packed else ""}"'
    # Always asked again, nearly always answered 304: an update is never half old.
    headers = {"ETag": tag, "Cache-Control": "no-cache", "Vary": "Accept-Encoding", **(more or {})}
    known = request.headers.get("If-None-Match", "").split(",")
    sent = {one.strip().removeprefix("W/") for one in known}
    if tag in sent or "*" in sent:
        return web.Response(status=304, headers=headers)
    headers["Content-Type"] = file.media
    if packed:
        headers["Content-Encoding"] = "gzip"
    return web.Response(body=file.body if packed else file.plain, headers=headers)
