"""Conditional requests on the set's text: ``ETag``, ``If-Match``, and a revision in the body.

RFC 9110, sections 8.8.3 and 13.1.1: a change with ``If-Match`` is made only on the text that the
client knows; else the answer is 412. A `revision` in the body means the same, answered by 409. One
thing is kinder than the standard: a change of values by path is merged into a newer text when
nothing that it touches has changed since.
"""

from __future__ import annotations

import re

from aiohttp import web

from bridge.control.edits import Base, Edits
from bridge.web.http import TAG
from bridge.web.problems import ProblemError

_TAG = r'(?:W/)?"[\x21\x23-\x7e\x80-\xff]*"'
_TAGS = re.compile(rf"\s*{_TAG}(?:\s*,\s*{_TAG})*\s*")


def tags_of(header: str) -> list[str] | None:
    """The strong tags of an ``If-Match``; None for ``*``. Weak tags never match (section
    13.1.1). Raises `ProblemError` 400."""
    if header.strip() == "*":
        return None
    if not _TAGS.fullmatch(header):
        raise ProblemError(400, "If-Match must be * or entity tags in quotes")
    return [tag for tag in re.findall(_TAG, header) if not tag.startswith("W/")]


def base_of(request: web.Request, edits: Edits, client: str, revision: int | None = None) -> Base:
    """The text that a request's change was made on.

    Raises:
        ProblemError: 400, the header is not as it must be.
        ConflictError: the text that it names is not known (any more).
    """
    header = ",".join(request.headers.getall("If-Match", []))
    tags = tags_of(header) if header else None
    if tags is not None:
        return edits.base_of_tags(tags)
    if revision is not None:
        return edits.base_of_revision(revision)
    return edits.base(client)


def with_tag(request: web.Request, edits: Edits) -> None:
    """Puts the tag of the text that plays now on the answer to `request`."""
    request[TAG] = edits.tag()
