"""The events of a YAML text, read by the library's compiled parser where that is the same.

The compiled parser is some twenty times as fast as the one in Python, which is felt whenever a set
is opened or edited. The one in Python stays the judge: what the compiled one refuses is read again
by it, for its words, and so are texts in which the two are known to differ.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any, Protocol

import yaml

COMPILED: Any = getattr(yaml, "CSafeLoader", None)
"""None where the library came without it."""

_DIFFER = re.compile(r"[\t!\ufeff]|[|>][-+0-9]*#")
"""Tabs between key and value, odd tags, byte order marks within the text, and a comment that
touches the head of a block text are taken by one of the two only."""


class Mark(Protocol):
    """A place in the text, from 0: each parser has a class of its own for it."""

    @property
    def index(self) -> int: ...

    @property
    def line(self) -> int: ...

    @property
    def column(self) -> int: ...


def events(text: str) -> Iterator[yaml.Event]:
    """The events with their marks, one after another.

    Raises:
        yaml.YAMLError: the text is no YAML; also ValueError, OverflowError and RecursionError,
            which the library lets through of its own.
    """
    if COMPILED is None or _DIFFER.search(text):
        yield from yaml.parse(text, Loader=yaml.SafeLoader)
        return
    passed = 0
    try:
        for event in yaml.parse(text, Loader=COMPILED):
            passed += 1
            yield event
    except (yaml.YAMLError, ValueError):
        for place, event in enumerate(yaml.parse(text, Loader=yaml.SafeLoader)):
            if place >= passed:
                yield event
