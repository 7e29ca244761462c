"""YAML text in, plain data out, with the place of every key and value.

The reading is that of YAML 1.2's core schema (yaml.org/spec/1.2.2, section 10.3), so ``on``,
``off``, ``yes`` and ``no`` are words and ``1:30`` is text. Because other readers take them for
booleans and base-60 numbers, such a scalar arrives as `AmbiguousText` text: a model that expects a
name or free text refuses it until it is quoted, a model that expects exactly that word takes it.
What no model could use is refused here: duplicate keys, ``010``, ``.nan``, tags, merge keys,
tabs, several documents, alias bombs, text that is not UTF-8.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

from bridge.errors import InputError, Problem, printable
from bridge.files.read import read_bytes, read_input, too_big
from bridge.files.yaml_events import Mark, events

Keys = tuple[str | int, ...]

MAX_BYTES = 256 * 1024  # a set of 128 lanes is about 20 KiB
MAX_NODES = 50_000  # after aliases are followed: ten nested aliases of ten would be 10**10
MAX_DEPTH = 24
MAX_PROBLEMS = 200

_INTEGER = re.compile(r"[-+]?(?:0|[1-9][0-9]*)\Z")
_HEXADECIMAL = re.compile(r"0x[0-9a-fA-F]+\Z")
_FLOAT = re.compile(r"[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?\Z")
_OCTAL = re.compile(r"[-+]?0[0-9_]+\Z|[-+]?0o[0-7]+\Z")
_NOT_FINITE = re.compile(r"[-+]?\.(?:inf|Inf|INF)\Z|\.(?:nan|NaN|NAN)\Z")
_BASE_60 = re.compile(r"[-+]?[0-9][0-9_]*(?::[0-5]?[0-9])+(?:\.[0-9_]*)?\Z")
_DATE = re.compile(r"[0-9]{4}-[0-9]{1,2}-[0-9]{1,2}(?:[Tt\s].*)?\Z")
_INSIDE = re.compile(r"(?:(['\"]).*\1: )?column (\d+): ", re.DOTALL)
_UNSPACED = re.compile(r"(\s*(?:- )?)([a-z_][a-z0-9_-]*):([^\s:/].*?)\s*\Z")
_TRUE = frozenset(("true", "True", "TRUE"))
_FALSE = frozenset(("false", "False", "FALSE"))
_NULL = frozenset(("", "~", "null", "Null", "NULL"))
# YAML 1.1, yaml.org/type/bool.html. Its y and n stay text: PyYAML, for one, leaves them alone.
_TRUE_WORDS = frozenset(("on", "yes"))
_FALSE_WORDS = frozenset(("off", "no"))


class AmbiguousText(str):
    """Text written without quotes that another YAML reader takes for something else.

    `reads_as` says for what: ``true``, ``false``, ``a number in base 60``, ``a date``.
    """

    reads_as: str

    def __new__(cls, text: str, reads_as: str) -> AmbiguousText:
        self = super().__new__(cls, text)
        self.reads_as = reads_as
        return self

    @property
    def advice(self) -> str:
        return f'{self!s} without quotes is {self.reads_as} to some YAML readers; write "{self!s}"'


@dataclass(frozen=True, slots=True)
class Place:
    """Where a value stands. Lines and columns count from 1; offsets are characters of the text.

    The ``key_`` fields are those of the key in front of it (of the value itself in a list).
    `end` is the first character after the value; for a block that is where the next thing starts.
    """

    line: int
    column: int
    start: int
    end: int
    key_line: int
    key_column: int
    style: str  # plain, quoted, block (text), flow-map, flow-list, block-map, block-list, alias


class Document:
    """One YAML file as plain data (dict with str keys, list, str, int, float, bool, None).

    `places` has one `Place` for every value, by its path of keys and list positions.
    """

    def __init__(
        self, file: str, text: str, data: dict[str, Any], places: dict[Keys, Place]
    ) -> None:
        self.file = file
        self.text = text
        self.data = data
        self.places = places

    @classmethod
    def read(cls, path: Path | str, shown: str | None = None) -> Document:
        """Reads a file. InputError when it is missing, unreadable, too big, not UTF-8 or not good
        YAML. `shown` is the name used in messages (the path as given, unless told)."""
        name = shown if shown is not None else str(path)
        return cls.parse(decode(read_input(Path(path), MAX_BYTES, name), name), name)

    @classmethod
    def parse(cls, text: str, file: str = "text") -> Document:
        """Reads a text. InputError with every problem that could be found, in file order."""
        if len(text.encode("utf-8", "surrogatepass")) > MAX_BYTES:
            raise InputError([Problem(too_big(MAX_BYTES), file=file)])
        text = text.removeprefix("\ufeff")
        reader = _Reader(file, text)
        try:
            data = reader.document()
        except _Stop:
            data = None
        if reader.problems:
            raise InputError(in_order(reader.problems))
        if not isinstance(data, dict):  # _Reader.document has reported it
            raise AssertionError("a document without problems is a mapping")
        return cls(file, text, data, reader.places)

    def place(self, keys: Iterable[str | int]) -> Place | None:
        """The place of a value, or of the nearest thing around it that is written."""
        path = tuple(keys)
        while path not in self.places and path:
            path = path[:-1]
        return self.places.get(path)

    def problem(self, keys: Iterable[str | int], message: str, *, at_key: bool = False) -> Problem:
        """A problem at a path, with file, line and column. `at_key` points at the key instead."""
        path = tuple(keys)
        place = self.place(path)
        line, column = (place.line, place.column) if place else (1, 1)
        if place and at_key and path in self.places:
            line, column = place.key_line, place.key_column
        return Problem(message, dotted(path), self.file, line, column, path)

    def locate(self, problem: Problem, *, at_key: bool = False) -> Problem:
        """Fills in file, line and column of a problem that knows only its keys."""
        if problem.line:
            return problem
        return self.problem(problem.keys, problem.message, at_key=at_key)

    def get(self, keys: Iterable[str | int], default: object = None) -> object:
        """The plain value at a path, or `default`."""
        value: Any = self.data
        for key in keys:
            try:
                value = value[key]
            except (KeyError, IndexError, TypeError):
                return default
        return value


def dotted(keys: Iterable[str | int]) -> str:
    """``("lanes", "rim", "hits")`` as ``lanes.rim.hits``; list positions count from 0."""
    return ".".join(printable(str(key)) for key in keys)


def point_inside(document: Document, problem: Problem) -> Problem:
    """A problem whose message says ``column N`` of a text moves to that very character, where the
    text stands in one line of the file as it is."""
    found = _INSIDE.match(problem.message)
    place = document.places.get(problem.keys)
    value = document.get(problem.keys)
    if not found or place is None or not isinstance(value, str):
        return problem
    written = document.text[place.start : place.end]
    at = written.find(value)
    if at not in (0, 1) or "\n" in written:
        return problem
    column = place.column + at + int(found[2]) - 1
    return Problem(
        problem.message[found.end() :],
        problem.path,
        problem.file,
        problem.line,
        column,
        problem.keys,
    )


def in_order(problems: Iterable[Problem]) -> list[Problem]:
    """Problems in the order of the file, each said once."""
    seen: dict[tuple[str, int, int, str, str], Problem] = {}
    for problem in problems:
        mark = (problem.file, problem.line, problem.column, problem.path, problem.message)
        seen.setdefault(mark, problem)
    return sorted(seen.values(), key=lambda p: (p.file, p.line, p.column))


def read_text(path: Path, limit: int = MAX_BYTES) -> str:
    """A file as it is, unchecked; a byte order mark stays.

    Args:
        path, limit: as in `read_bytes`.

    Raises:
        OSError: as `read_bytes`.
        UnicodeDecodeError: it is not UTF-8.
    """
    return read_bytes(path, limit).decode("utf-8")


def decode(raw: bytes, file: str) -> str:
    """Bytes of a file as text, without the byte order mark.

    Args:
        raw: what the file holds.
        file: what messages call it.

    Raises:
        InputError: they are more than `MAX_BYTES`, or not UTF-8.
    """
    if len(raw) > MAX_BYTES:
        raise InputError([Problem(too_big(MAX_BYTES), file=file)])
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = error.object[: error.start].decode("utf-8")
        line, column = _line_column(before, len(before))
        byte = error.object[error.start]
        message = f"is not UTF-8 text: byte 0x{byte:02x}; save the file as UTF-8"
        raise InputError([Problem(message, "", file, line, column)]) from error


def _line_column(text: str, index: int) -> tuple[int, int]:
    before = text[:index]
    return before.count("\n") + 1, index - (before.rfind("\n") + 1) + 1


def _start(event: yaml.Event) -> Mark:
    mark: Mark | None = event.start_mark
    if mark is None:
        raise AssertionError("every event of the parser carries a mark")
    return mark


class _Stop(Exception):
    """Reading cannot go on; the reason stands in the problems."""


class _Reader:
    """Walks the parser's events by itself: unlike the library's own constructor it meets every
    key and alias before they are merged, and can refuse what is too deep or too much."""

    def __init__(self, file: str, text: str) -> None:
        self.file = file
        self.text = text
        self.problems: list[Problem] = []
        self.places: dict[Keys, Place] = {}
        self._events: list[yaml.Event] = []
        self._anchors: dict[str, int] = {}
        self._nodes = 0

    def document(self) -> object:
        if not self._parse():
            raise _Stop
        starts = [e for e in self._events if isinstance(e, yaml.DocumentStartEvent)]
        if not starts or self._is_nothing():
            self._say((), "is empty", 1, 1)
            raise _Stop
        if len(starts) > 1:
            self._say_at(starts[1], (), "a second document starts here; one file holds one")
        root = self._events.index(starts[0]) + 1
        data, _ = self._value(root, (), None, 0)
        if not isinstance(data, dict) and not self.problems:
            self._say_at(self._events[root], (), "must be keys and values (key: value)")
        return data

    def _is_nothing(self) -> bool:
        return all(
            isinstance(
                e,
                yaml.StreamStartEvent
                | yaml.StreamEndEvent
                | yaml.DocumentStartEvent
                | yaml.DocumentEndEvent,
            )
            or (isinstance(e, yaml.ScalarEvent) and not e.style and e.value == "")
            for e in self._events
        )

    def _parse(self) -> bool:
        depth = 0
        try:
            for event in events(self.text):
                self._events.append(event)
                # Checked while parsing: a hundred thousand brackets take the parser minutes.
                if isinstance(event, yaml.CollectionStartEvent):
                    depth += 1
                    if depth > MAX_DEPTH:
                        self._say_at(event, (), f"is nested more than {MAX_DEPTH} deep")
                        return False
                elif isinstance(event, yaml.CollectionEndEvent):
                    depth -= 1
                if len(self._events) > 3 * MAX_NODES:
                    self._say((), f"holds more than {MAX_NODES} values", 1, 1)
                    return False
        except yaml.MarkedYAMLError as error:
            self._syntax(error)
            return False
        except yaml.reader.ReaderError as error:
            line, column = _line_column(self.text, error.position)
            code = error.character if isinstance(error.character, int) else ord(error.character)
            self._say((), f"a character that YAML does not allow: U+{code:04X}", line, column)
            return False
        except (RecursionError, ValueError, OverflowError):
            # What the library lets through of its own for absurd escapes and %YAML versions.
            self._say((), "is not valid YAML: an escape or a number in it is out of range", 1, 1)
            return False
        return True

    def _syntax(self, error: yaml.MarkedYAMLError) -> None:
        mark = error.problem_mark or error.context_mark
        line, column = (mark.line + 1, mark.column + 1) if mark else (1, 1)
        if self._unspaced(line):
            return
        said = error.problem or error.context or "cannot be read"
        if "'\\t'" in said:
            message = "a tab; YAML indents and separates with spaces only"
        elif "mapping values are not allowed" in said:
            message = "is not valid YAML: a second colon here; indent it, or put the text in quotes"
        elif "sequence entries are not allowed" in said:
            message = 'is not valid YAML: a list cannot start here; a tie is written "-" in quotes'
        else:
            where = ""
            if error.context and error.context_mark and error.problem:
                where = f" ({error.context}, started at line {error.context_mark.line + 1})"
            message = f"is not valid YAML: {said}{where}"
        self._say((), message, line, column)

    def _unspaced(self, line: int) -> bool:
        """Whether a missing space after a colon, here or a line before, explains an error."""
        for number in (line, line - 1):
            text = self.text.split("\n")[number - 1] if number > 0 else ""
            found = _UNSPACED.match(text)
            if found:
                message = f"needs a space after the colon: {found[2]}: {printable(found[3][:40])}"
                self._say((), message, number, len(found[1]) + 1)
                return True
        return False

    def _say(self, keys: Keys, message: str, line: int, column: int) -> None:
        self.problems.append(Problem(message, dotted(keys), self.file, line, column, keys))
        if len(self.problems) >= MAX_PROBLEMS:
            raise _Stop

    def _say_at(self, event: yaml.Event, keys: Keys, message: str) -> None:
        mark = _start(event)
        self._say(keys, message, mark.line + 1, mark.column + 1)

    def _value(self, at: int, keys: Keys, key: yaml.Event | None, depth: int) -> tuple[object, int]:
        """The value whose first event is at position `at`; also the position after it."""
        event = self._events[at]
        self._nodes += 1
        if self._nodes > MAX_NODES:
            message = f"holds more than {MAX_NODES} values once aliases are followed"
            self._say_at(event, keys, message)
            raise _Stop
        if depth > MAX_DEPTH:
            self._say_at(event, keys, f"is nested more than {MAX_DEPTH} deep")
            raise _Stop
        if isinstance(event, yaml.AliasEvent):
            source = self._anchors.get(event.anchor or "")
            if source is None:
                self._say_at(event, keys, f"*{event.anchor} names nothing written before it")
                return None, at + 1
            value, _ = self._value(source, keys, key, depth + 1)
            self._put(keys, event, event, key, "alias")
            return value, at + 1
        if not isinstance(event, yaml.ScalarEvent | yaml.CollectionStartEvent):
            raise AssertionError(f"the parser promised a value, not {event!r}")
        if event.tag is not None and event.tag != "!":
            tag = printable(event.tag)
            message = f"the tag {tag} is not used here; write the plain value"
            self._say_at(event, keys, message)
        if isinstance(event, yaml.ScalarEvent):
            style = {"": "plain", "'": "quoted", '"': "quoted"}.get(event.style or "", "block")
            self._put(keys, event, event, key, style)
            self._anchor(event, at)
            return self._scalar(event, keys), at + 1
        if isinstance(event, yaml.SequenceStartEvent):
            value, after = self._list(at + 1, keys, depth)
            style = "flow-list" if event.flow_style else "block-list"
        else:
            value, after = self._map(at + 1, keys, depth)
            style = "flow-map" if event.flow_style else "block-map"
        # Only now: an alias inside its own anchor stays unknown, so nothing can contain itself.
        self._anchor(event, at)
        self._put(keys, event, self._events[after - 1], key, style)
        return value, after

    def _anchor(self, event: yaml.ScalarEvent | yaml.CollectionStartEvent, at: int) -> None:
        if event.anchor is not None:
            self._anchors[event.anchor] = at

    def _put(
        self, keys: Keys, first: yaml.Event, last: yaml.Event, key: yaml.Event | None, style: str
    ) -> None:
        mark, head = _start(first), _start(key or first)
        end = last.end_mark.index if last.end_mark else len(self.text)
        self.places[keys] = Place(
            mark.line + 1, mark.column + 1, mark.index, end, head.line + 1, head.column + 1, style
        )

    def _list(self, at: int, keys: Keys, depth: int) -> tuple[list[object], int]:
        items: list[object] = []
        while not isinstance(self._events[at], yaml.SequenceEndEvent):
            item, at = self._value(at, (*keys, len(items)), None, depth + 1)
            items.append(item)
        return items, at + 1

    def _map(self, at: int, keys: Keys, depth: int) -> tuple[dict[str, object], int]:
        entries: dict[str, object] = {}
        lines: dict[str, int] = {}
        while not isinstance(self._events[at], yaml.MappingEndEvent):
            event = self._events[at]
            name = self._key(event, keys)
            if name is None:  # reported; step over it and its value
                _, at = self._value(at, (*keys, "?"), None, depth + 1)
                _, at = self._value(at, (*keys, "?"), None, depth + 1)
                continue
            if name in entries:
                message = f"is written twice; first in line {lines[name]}"
                self._say_at(event, (*keys, str(name)), message)
                _, at = self._value(at + 1, (*keys, "?"), event, depth + 1)
                continue
            lines[name] = _start(event).line + 1
            entries[name], at = self._value(at + 1, (*keys, str(name)), event, depth + 1)
        return entries, at + 1

    def _key(self, event: yaml.Event, keys: Keys) -> str | None:
        if not isinstance(event, yaml.ScalarEvent):
            self._say_at(event, keys, "a key must be one word")
            return None
        if not event.style:  # None, or "" from the compiled parser
            if event.value in _NULL:
                self._say_at(event, keys, "a key is missing in front of the colon")
                return None
            if event.value == "<<":
                self._say_at(event, keys, "merge keys (<<) are not used here; write the keys out")
                return None
            why = _doubt(event.value)
            if why is None and event.value in _TRUE | _FALSE:
                why = event.value.lower()
            if why is not None:
                return AmbiguousText(event.value, why)
        return str(event.value)

    def _scalar(self, event: yaml.ScalarEvent, keys: Keys) -> object:
        text = event.value
        if event.style or event.tag is not None:
            return text
        if text in _NULL:
            return None
        if text in _TRUE:
            return True
        if text in _FALSE:
            return False
        if _OCTAL.match(text):
            self._say_at(
                event,
                keys,
                f"{text} is octal to some YAML readers; "
                "write it without the leading zero, or in quotes",
            )
            return 0
        if _NOT_FINITE.match(text):
            self._say_at(event, keys, f"{text} is not a finite number")
            return 0
        if len(text) <= 40:
            if _INTEGER.match(text):
                return int(text)
            if _HEXADECIMAL.match(text):
                return int(text, 16)
            if _FLOAT.match(text):
                number = float(text)
                if math.isfinite(number):
                    return number
                self._say_at(event, keys, f"{text} is too big for a number")
                return 0
        why = _doubt(text)
        return text if why is None else AmbiguousText(text, why)


def _doubt(text: str) -> str | None:
    if text.lower() in _TRUE_WORDS:
        return "true"
    if text.lower() in _FALSE_WORDS:
        return "false"
    if _BASE_60.match(text):
        return "a number in base 60"
    if _DATE.match(text):
        return "a date"
    return None
