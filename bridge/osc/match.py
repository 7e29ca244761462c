"""OSC address patterns: which of our addresses does a pattern name?

Rules of Open Sound Control 1.0: pattern and address have the same number of parts; within a part
``?`` is any character, ``*`` any run of characters, ``[a-c]`` and ``[!ab]`` one of (none of) a
list, ``{foo,bar}`` one of some strings. A minus at the end of a list and a ``!`` elsewhere in it
stand for themselves; a list that runs backwards (``[z-a]``) is taken as its two ends in order.

Matching keeps the set of positions that are possible so far, so its time is bounded by the product
of the lengths whatever the pattern: there is no backtracking to abuse.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from functools import lru_cache
from typing import Any

SPECIAL = frozenset("?*[]{}")
PATTERN_MOST = 256  # characters

# One token of a part: a literal character, "?" any one, "*" any run, a list, or alternatives.
Token = tuple[str, Collection[str]]


def is_pattern(address: str) -> bool:
    return not SPECIAL.isdisjoint(address)


@lru_cache(maxsize=512)
def tokens(part: str) -> tuple[Token, ...] | None:
    """The tokens of one part of a pattern; None when brackets or braces do not close."""
    found: list[Token] = []
    at = 0
    while at < len(part):
        char = part[at]
        if char == "?":
            found.append(("any", ""))
        elif char == "*":
            if not found or found[-1][0] != "run":
                found.append(("run", ""))
        elif char in "[{":
            end = part.find("]" if char == "[" else "}", at)
            if end < 0:
                return None
            inner = part[at + 1 : end]
            found.append(_list(inner) if char == "[" else ("one", tuple(inner.split(","))))
            at = end
        elif char in "]}":
            return None
        else:
            found.append(("is", char))
        at += 1
    return tuple(found)


def _list(inner: str) -> Token:
    negated = inner.startswith("!")
    chars = inner[1:] if negated else inner
    members: set[str] = set()
    at = 0
    while at < len(chars):
        if at + 2 < len(chars) and chars[at + 1] == "-":
            low, high = sorted((ord(chars[at]), ord(chars[at + 2])))
            members.update(chr(code) for code in range(low, high + 1))
            at += 3
        else:
            members.add(chars[at])
            at += 1
    return ("not" if negated else "in", frozenset(members))


def match_part(pattern: str, part: str) -> bool:
    """Whether one part of a pattern matches one part of an address."""
    steps = tokens(pattern)
    if steps is None:
        return False
    places = {0}
    for what, arg in steps:
        if what == "run":
            places = set(range(min(places), len(part) + 1))
        elif what == "one":
            places = {p + len(text) for p in places for text in arg if part.startswith(text, p)}
        else:
            places = {p + 1 for p in places if p < len(part) and _is(what, arg, part[p])}
        if not places:
            return False
    return len(part) in places


def _is(what: str, arg: Collection[str], char: str) -> bool:
    if what == "is":
        return bool(char == arg)
    return what == "any" or (char in arg) == (what == "in")


def match(pattern: str, address: str) -> bool:
    """Whether `pattern` matches the whole of `address`."""
    ours, theirs = pattern.split("/"), address.split("/")
    return len(ours) == len(theirs) and all(map(match_part, ours, theirs))


class AddressBook:
    """Our addresses as a tree of parts, so that a pattern looks only where it can match."""

    KEPT = 256  # patterns whose answer is remembered

    def __init__(self, addresses: Iterable[str]) -> None:
        self.addresses = frozenset(addresses)
        self._tree: dict[str, Any] = {}
        self._known: dict[str, tuple[str, ...]] = {}
        for address in sorted(self.addresses):
            node = self._tree
            for part in address.split("/"):
                node = node.setdefault(part, {})

    def find(self, pattern: str) -> tuple[str, ...]:
        """Every address that `pattern` names (an address names itself), in alphabetical order."""
        if not is_pattern(pattern):
            return (pattern,) if pattern in self.addresses else ()
        if len(pattern) > PATTERN_MOST:
            return ()
        found = self._known.get(pattern)
        if found is None:
            if len(self._known) >= self.KEPT:
                self._known.clear()
            found = self._known[pattern] = tuple(self._walk(pattern.split("/")))
        return found

    def _walk(self, parts: list[str]) -> list[str]:
        level: list[tuple[str, dict[str, Any]]] = [("", self._tree)]
        for depth, part in enumerate(parts):
            level = [
                (f"{path}/{name}" if depth else name, inner)
                for path, node in level
                for name, inner in node.items()
                if (name == part if not is_pattern(part) else match_part(part, name))
            ]
        return sorted(path for path, _ in level if path in self.addresses)
