"""What differs between two versions of a file, in words that a performer reads.

The models are compared and not the texts: comments, order of keys and the way a pattern is spaced
make no difference. ``rim: hits 5 to 7``; ``cable "rim voice" moved from main.gate-3 to
main.gate-5``.
"""

from __future__ import annotations

import difflib
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from bridge.errors import InputError
from bridge.files import edit
from bridge.files.document import Document
from bridge.files.phrases import listed
from bridge.files.removal import WHATS
from bridge.files.rig import ClockModel, RigModel, TimingModel, parse_rig
from bridge.files.set import SetDocument, parse_set
from bridge.files.set_models import SetModel
from bridge.files.strict import Strict, check
from bridge.files.tuning import parse_tuning
from bridge.music.model import SETTINGS, SetSpec
from bridge.paper.tuned import correction_words
from bridge.paper.words import lane_words, ordinal

MOST_NAMED = 3
"""Rows of one list that are said one by one; more are only counted."""
LONG = 60
"""Characters of a value from which it is cut in a sentence."""
_HEAD = re.compile(r"^[\"']?(set|rig|tuning)[\"']?\s*:", re.MULTILINE)
_UNSAID = ("euclid", "lanes", "macros")
"""Keys whose own keys say enough."""


# --- sets ---------------------------------------------------------------------------------------


def of_sets(before: str, after: str) -> list[str]:
    """What differs between two texts of sets; empty when they say the same.

    Raises:
        InputError: one of them is no good set.
    """
    old, new = parse_set(before), parse_set(after)
    lines, names = [], list(_renamed(old, new))
    if names:
        for kind, name, called in names:
            lines.append(f"{WHATS[kind]} {name} is called {called} now")
            before = edit.apply(before, [edit.Change((kind, name), rename=called)])
        old = parse_set(before)
    if old.spec == new.spec:
        return lines
    one, other = _model(SetModel, old.document), _model(SetModel, new.document)
    was, now = old.document.data, new.document.data
    top = ("set", "tempo", "swing", "key", "seed", "meter", "after_order")
    lines += _keys(one, other, was, now, top)
    lines += _lanes(old.spec, new.spec, one, other, was, now)
    for kind in ("macros", "sections"):
        lines += _named(getattr(one, kind), getattr(other, kind), was, now, kind)
    lines += _rows("running order", was.get("order") or [], now.get("order") or [], "entry")
    return lines


def _renamed(old: SetDocument, new: SetDocument) -> Iterator[tuple[str, str, str]]:
    """Things that are gone and have come back under another name, with all else as it was."""
    was, now = (_model(SetModel, document.document) for document in (old, new))
    for kind in WHATS:
        one, other = getattr(was, kind), getattr(now, kind)
        come = [name for name in other if name not in one]
        for name in [name for name in one if name not in other]:
            alike = [called for called in come if other[called] == one[name]]
            if len(alike) == 1:
                come.remove(alike[0])
                yield kind, name, alike[0]


def _lanes(
    old: SetSpec,
    new: SetSpec,
    one: SetModel,
    other: SetModel,
    was: dict[str, Any],
    now: dict[str, Any],
) -> Iterator[str]:
    before = {lane.name: lane for lane in old.lanes}
    after = {lane.name: lane for lane in new.lanes}
    for name, lane in before.items():
        if name not in after:
            yield f"{name}: gone"
            continue
        if lane == after[name] or one.lanes[name] == other.lanes[name]:
            continue  # what only the set's key moves is said of the key
        lines: list[str] = []
        sources: tuple[str, ...] = ()
        if lane.kind != after[name].kind:
            sources = (lane.kind, after[name].kind)
            lines.append(
                f"was {lane_words(lane, list(before))}; now {lane_words(after[name], list(after))}"
            )
        written = was["lanes"][name], now["lanes"][name]
        lines += _keys(one.lanes[name], other.lanes[name], *written, (), sources)
        yield f"{name}: {'; '.join(lines)}"
    for name, lane in after.items():
        if name not in before:
            to = f", to {lane.out}" if lane.out else ""
            yield f"{name}: new, {lane_words(lane, list(after))}{to}"
    kept, order = [name for name in before if name in after], [n for n in after if n in before]
    if kept != order:
        yield f"lanes in another order: {', '.join(after)}"


def _named(
    one: Mapping[str, Strict],
    other: Mapping[str, Strict],
    was: dict[str, Any],
    now: dict[str, Any],
    kind: str,
) -> Iterator[str]:
    """Things with names of their own: macros, sections, controllers."""
    what = kind.removesuffix("s")
    for name in one:
        if name not in other:
            yield f"{what} {name}: gone"
        elif one[name] != other[name]:
            lines = list(_keys(one[name], other[name], was[kind][name], now[kind][name]))
            yield f"{what} {name}: {'; '.join(lines)}"
    for name in other:
        if name not in one:
            yield f"{what} {name}: new"
    kept, order = [name for name in one if name in other], [name for name in other if name in one]
    if kept != order:
        yield f"{kind} in another order: {', '.join(other)}"


# --- rigs ---------------------------------------------------------------------------------------


def of_rigs(before: str, after: str, beside: Path | None = None) -> list[str]:
    """The same of two texts of rigs; `beside` is the folder with their profiles."""
    old, new = (Document.parse(text, "rig.yaml") for text in (before, after))
    for text in (before, after):
        parse_rig(text, "rig.yaml", beside)
    one, other = _model(RigModel, old), _model(RigModel, new)
    lines = list(_keys(one, other, old.data, new.data, ("rig", "resume")))
    for name in one.interfaces:
        if name not in other.interfaces:
            lines.append(f"interface {name}: gone")
            continue
        pair = one.interfaces[name], other.interfaces[name]
        said = list(
            _keys(
                *pair,
                old.data["interfaces"][name],
                new.data["interfaces"][name],
                ("profile", "port", "link"),
            )
        )
        lines += [f"interface {name}: {', '.join(said)}"] if said else []
    lines += [
        f"interface {name}: new, profile {item.profile}, port {item.port}"
        for name, item in other.interfaces.items()
        if name not in one.interfaces
    ]
    lines += _cables(one, other)
    parts: tuple[tuple[str, ClockModel | TimingModel, ClockModel | TimingModel], ...] = (
        ("clock", one.clock, other.clock),
        ("timing", one.timing, other.timing),
    )
    for key, first, second in parts:
        said = list(_keys(first, second, old.data.get(key) or {}, new.data.get(key) or {}))
        lines += [f"{key}: {', '.join(said)}"] if said else []
    lines += _named(one.controllers, other.controllers, old.data, new.data, "controllers")
    return lines


def _cables(one: RigModel, other: RigModel) -> Iterator[str]:
    was, now = (
        {
            f"{name}.{jack}": cable
            for name, item in model.interfaces.items()
            for jack, cable in item.cables.items()
        }
        for model in (one, other)
    )
    pulled = {jack: cable for jack, cable in was.items() if now.get(jack) != cable}
    placed = {jack: cable for jack, cable in now.items() if was.get(jack) != cable}
    for jack, cable in list(pulled.items()):
        there = [new for new, same in placed.items() if same.to == cable.to and new != jack]
        if there:
            moved = there[0]
            yield f'cable "{cable.to}" moved from {jack} to {moved}'
            del pulled[jack], placed[moved]
    for jack, cable in pulled.items():
        new = placed.pop(jack, None)
        if new is None:
            yield f'{jack}: cable "{cable.to}" pulled'
        elif new.to != cable.to:
            yield f'{jack}: cable "{cable.to}" to "{new.to}"'
        else:
            for key in ("colour", "notes", "photo"):
                first, second = getattr(cable, key), getattr(new, key)
                if first != second:
                    yield f"{jack}: {key} {_said(first or 'none')} to {_said(second or 'none')}"
    for jack, cable in placed.items():
        yield f'{jack}: cable "{cable.to}" plugged in'


# --- tunings ------------------------------------------------------------------------------------


def of_tunings(before: str, after: str) -> list[str]:
    """The same of two texts of tunings."""
    was, now = parse_tuning(before), parse_tuning(after)
    lines = []
    for name in sorted({*was, *now}):
        old, new = was.get(name), now.get(name)
        if old == new:
            continue
        if new is None:
            lines.append(f"{name}: no longer tuned")
        elif old is None:
            lines.append(f"{name}: {correction_words(new.correction)}")
        else:
            words = correction_words(old.correction), correction_words(new.correction)
            again = "" if words[0] == words[1] else f"; before: {words[0]}"
            lines.append(f"{name}: {words[1]}{again}")
    return lines


# --- any file -----------------------------------------------------------------------------------


def between(before: bytes, after: bytes, beside: Path | None = None) -> list[str]:
    """What differs between two versions of a file of any kind: sets, rigs and tunings by their
    models, all else by what a reader sees of it.

    Args:
        before, after: the files' bytes.
        beside: the folder with the profiles of a rig.

    Returns:
        One line for each difference; empty when they say the same. What cannot be compared is said
        in a line.
    """
    if before == after:
        return []
    try:
        texts = before.decode("utf-8-sig"), after.decode("utf-8-sig")
    except UnicodeDecodeError:
        return [f"differs; {len(before)} bytes before, {len(after)} now"]
    kinds = {_kind(text) for text in texts}
    if len(kinds) > 1:
        return ["they are files of different kinds"]
    try:
        match kinds.pop():
            case "set":
                return of_sets(*texts)
            case "rig":
                return of_rigs(*texts, beside)
            case "tuning":
                return of_tunings(*texts)
    except InputError as error:
        first = error.problems[0]
        where = f"{first.path}: " if first.path else ""
        return [f"cannot be compared, for one of them has a mistake: {where}{first.message}"]
    return _lines(*texts)


def _kind(text: str) -> str:
    found = _HEAD.search(text)
    return found[1] if found else ""


def _lines(before: str, after: str) -> list[str]:
    """Texts and pages, line by line; markup makes no difference."""
    one, other = (
        list(filter(None, (" ".join(line.split()) for line in _seen(text).splitlines())))
        for text in (before, after)
    )
    return [_row("line", *change, "") for change in _changes(one, other)]


def _seen(text: str) -> str:
    """What a page shows; other texts as they are."""
    if not text.lstrip()[:15].lower().startswith(("<!doctype", "<html")):
        return text
    from bridge.paper.page_text import lines_of  # with it comes what reads HTML

    return "\n".join(lines_of(text))


# --- keys and values ----------------------------------------------------------------------------


def _model(kind: Any, document: Document) -> Any:
    model, _, _ = check(kind, document)
    assert model is not None  # it was read before
    return model


def _keys(
    one: Strict,
    other: Strict,
    was: object,
    now: object,
    only: Sequence[str] = (),
    left_out: Sequence[str] = (),
) -> Iterator[str]:
    """The keys of two models that differ, each with what was written for it: ``hits 5 to 7``."""
    for name, field in type(one).model_fields.items():
        key = field.alias or name
        if (only and key not in only) or key in left_out:
            continue
        first, second = getattr(one, name), getattr(other, name)
        if first == second or _usual(key, first) == _usual(key, second):
            continue
        old, new = _written(was, key), _written(now, key)
        if isinstance(first, Strict) and isinstance(second, Strict):
            head = "" if key in _UNSAID else f"{_words(key)} "
            yield from (f"{head}{line}" for line in _keys(first, second, old, new))
        elif isinstance(old, dict) and isinstance(new, dict):
            yield from _mapping("" if key in _UNSAID else _words(key), old, new)
        elif isinstance(old, list) and isinstance(new, list):
            yield from _rows(_words(key), old, new)
        else:
            start, end = (_or_usual(key, value, field.default) for value in (old, new))
            if start is None:
                yield f"{_words(key)} {_said(end)} (new)"
            elif end is None:
                yield f"{_words(key)} {_said(start)} gone"
            else:
                yield f"{_words(key)} {_said(start)} to {_said(end)}"


def _usual(key: str, value: object) -> object:
    """A setting that is not written is where it starts."""
    if value is None and key in SETTINGS:
        return SETTINGS[key].start
    return value


def _or_usual(key: str, value: object, default: object) -> object:
    if value is not None:
        return value
    if key in SETTINGS:
        return SETTINGS[key].start
    return default if isinstance(default, str | int | float) else None


def _written(data: object, key: str) -> object:
    return data.get(key) if isinstance(data, dict) else None


def _mapping(head: str, old: dict[str, object], new: dict[str, object]) -> Iterator[str]:
    for key in {**old, **new}:
        first, second = old.get(key), new.get(key)
        if first == second:
            continue
        words = f"{head} {_words(key)}".lstrip()
        if isinstance(first, dict) and isinstance(second, dict):
            yield from _mapping(words, first, second)
        elif key not in old:
            yield f"{words} {_said(second)} (new)"
        elif key not in new:
            yield f"{words} {_said(first)} gone"
        else:
            yield f"{words} {_said(first)} to {_said(second)}"


def _rows(head: str, old: list[object], new: list[object], what: str = "") -> Iterator[str]:
    """Two lists: row by row where few differ, else as they are or as counts."""
    if old == new:
        return
    said = [_row(head, *change, what) for change in _changes(old, new)]
    if len(said) <= MOST_NAMED:
        yield from said
    elif all(not isinstance(row, dict | list) for row in (*old, *new)):
        yield f"{head} {_said(old)} to {_said(new)}"
    else:
        yield f"{head}: {len(said)} of {max(len(old), len(new))} differ"


def _changes(old: Sequence[object], new: Sequence[object]) -> Iterator[tuple[int, object, object]]:
    """Place, old row, new row; None where there is none."""
    one, other = ([json.dumps(row, sort_keys=True) for row in rows] for rows in (old, new))
    matched = difflib.SequenceMatcher(None, one, other, autojunk=False)
    for tag, a0, a1, b0, b1 in matched.get_opcodes():
        if tag == "equal":
            continue
        for step in range(max(a1 - a0, b1 - b0)):
            first = old[a0 + step] if a0 + step < a1 else None
            second = new[b0 + step] if b0 + step < b1 else None
            yield (a0 if second is None else b0) + step + 1, first, second


def _row(head: str, place: int, old: object, new: object, what: str) -> str:
    where = head if head == "line" else f"{head}, {ordinal(place)}{' ' + what if what else ''}"
    if old is None:
        return f"{where}: {_said(new)} added"
    if new is None:
        return f"{where}: {_said(old)} taken out"
    if isinstance(old, dict) and isinstance(new, dict):
        return f"{where}: {listed(list(_mapping('', old, new)))}"
    return f"{where}: {_said(old)} to {_said(new)}"


def _words(key: str) -> str:
    """A key as it is said."""
    return {"out": "output"}.get(key, key.replace("_", " "))


def _said(value: object) -> str:
    """A value as a person would say it, short enough for a sentence."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, dict):
        text = ", ".join(f"{_words(key)} {_said(inner)}" for key, inner in value.items())
    elif isinstance(value, list | tuple):
        text = " ".join(map(_said, value)) or "none"
    elif isinstance(value, int | float):
        text = f"{value:.10g}"
    elif value is None:
        text = "none"
    else:
        text = f'"{value}"' if " " in str(value) else str(value)
    return text if len(text) <= LONG else text[: LONG - 3] + "..."
