"""Files that a browser keeps and asks for again: a tag, packed or plain, 304 when it has them."""

from __future__ import annotations

import gzip
from collections.abc import Mapping
from dataclasses import dataclass
from hashlib import sha256

from aiohttp import web


@dataclass(frozen=True, slots=True)
class File:
    """What is sent: `packed` only where that is shorter; `tag` tells one content from another."""

    media: str
    plain: bytes
    packed: bytes | None
    tag: str


def file_of(plain: bytes, media: str, *, pack: bool = True) -> File:
    """A file of these bytes; `pack` says that packing may make it shorter."""
    packed = gzip.compress(plain, 9, mtime=0) if pack else None
    if packed is not None and len(packed) >= len(plain):
        packed = None
    return File(media, plain, packed, sha256(plain).hexdigest()[:20])


def answer(request: web.Request, file: File, more: Mapping[str, str] | None = None) -> web.Response:
    """The answer to GET or HEAD, with `more` headers; 304 when the browser has the file."""
    accepts = "gzip" in request.headers.get("Accept-Encoding", "")
    packed = file.packed if accepts else None
    # Bytes that differ need tags that differ (RFC 9110, section 8.8.3.3).
    tag = f'"{file.tag}{"-z" if packed is not None else ""}"'
    # Always asked again, nearly always answered 304: an update is never half old.
    headers = {"ETag": tag, "Cache-Control": "no-cache", "Vary": "Accept-Encoding", **(more or {})}
    known = request.headers.get("If-None-Match", "").split(",")
    sent = {one.strip().removeprefix("W/") for one in known}
    if tag in sent or "*" in sent:
        return web.Response(status=304, headers=headers)
    headers["Content-Type"] = file.media
    if packed is not None:
        headers["Content-Encoding"] = "gzip"
    return web.Response(body=file.plain if packed is None else packed, headers=headers)
