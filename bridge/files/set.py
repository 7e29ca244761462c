"""The set file: read, checked as a whole, and made into a frozen `SetSpec`."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from bridge.errors import InputError, Problem
from bridge.files import set_lane
from bridge.files.document import Document, in_order
from bridge.files.rig import Rig
from bridge.files.set_check import SetCheck, stand_in
from bridge.files.set_models import SectionModel, SetModel
from bridge.files.set_variant import in_section, varied
from bridge.files.strict import check
from bridge.music.model import Entry, Lane, Macro, Section, SetSpec
from bridge.music.scale import SCALES, Key, parse_root
from bridge.music.score import Score
from bridge.music.ticks import parse_rate


@dataclass(frozen=True, slots=True)
class SetDocument:
    """A set that passed every check, with the text it was read from. `warnings` are allowed but
    may surprise (something will be clamped, say). `score` is ready to play on the rig that the set
    was read for; without one, on outputs as they might be."""

    spec: SetSpec
    score: Score
    document: Document
    path: Path | None = None
    warnings: tuple[Problem, ...] = ()

    @property
    def text(self) -> str:
        return self.document.text


def load_set(path: Path | str, rig: Rig | None = None, shown: str | None = None) -> SetDocument:
    """Reads a set file.

    Args:
        path: the file.
        rig: what its outputs are checked against; None: they are taken as they are named.
        shown: what messages call the file; the path, unless told.

    Raises:
        InputError: every problem found, in file order.
    """
    path = Path(path)
    return read_set(Document.read(path, shown), rig, path)


def parse_set(text: str, file: str = "set.yaml", rig: Rig | None = None) -> SetDocument:
    """The same from a text. The document has no `path` then.

    Args:
        text: what a set file holds.
        file: what messages call it.
        rig: as in `load_set`.

    Raises:
        InputError: every problem found, in file order.
    """
    return read_set(Document.parse(text, file), rig, None)


def read_set(document: Document, rig: Rig | None, path: Path | None = None) -> SetDocument:
    """The same from a document."""
    model, problems, cut = check(SetModel, document)
    if model is None:
        raise InputError(in_order(_misplaced(document, problems)))
    checks = SetCheck(document, model, cut, rig)
    problems += checks.problems()
    broken = checks.broken()
    elsewhere = [p for p in problems if p.keys[:1] != ("lanes",)]
    spec = _made(document, model, broken)
    # Macros, sections and order may name what is wrong: then the lanes alone are compiled.
    whole = spec if not elsewhere else replace(spec, macros=(), sections=(), order=())
    score, found = checks.compiled(whole, broken, problems)
    problems += found
    if problems or score is None:
        raise InputError(in_order(_misplaced(document, problems)))
    return SetDocument(spec, score, document, path, tuple(in_order(checks.warnings(spec))))


def _misplaced(document: Document, problems: list[Problem]) -> list[Problem]:
    """The same problems, but what is indented wrongly is told once, as that: a key of the set among
    the lanes, or a lane among the keys of the set."""
    lanes: object = document.data.get("lanes")
    inside = [
        name
        for name, value in (lanes.items() if isinstance(lanes, dict) else ())
        if name in SetModel.model_fields
        and not (isinstance(value, dict) and any(key in value for key in set_lane.SOURCES))
    ]
    outside = [
        name
        for name, value in document.data.items()
        if name not in SetModel.model_fields
        and isinstance(value, dict)
        and any(key in value for key in set_lane.SOURCES)
    ]
    places = [("lanes", name) for name in inside] + [(name,) for name in outside]
    kept = [p for p in problems if not any(p.keys[: len(at)] == at for at in places)]
    for name in inside:
        message = f"is a key of the set, not a lane: write {name} at the left edge, as lanes is"
        kept.append(document.problem(("lanes", name), message, at_key=True))
    for name in outside:
        message = "is not a key of a set; if it is a lane, indent it under lanes"
        kept.append(document.problem((name,), message, at_key=True))
    return kept


# --- from the model to the frozen set ----------------------------------------------------------


def _made(document: Document, model: SetModel, broken: frozenset[str]) -> SetSpec:
    """The frozen set. Lanes that are wrong are replaced by silent ones of their name and sort, so
    that whatever refers to them can still be checked."""
    key = model.key
    home = _key(key.root, key.scale)
    written: Any = document.data.get("lanes")
    lanes: list[Lane] = []
    for name in written if isinstance(written, dict) else ():
        item = model.lanes.get(name)
        if item is None or name in broken:
            lanes.append(stand_in(str(name), written[name]))
        else:
            lanes.append(set_lane.made(str(name), item, home))
    return SetSpec(
        name=model.set,
        tempo=model.tempo,
        swing=model.swing,
        swing_step=int(parse_rate(model.swing_of)),
        groove=tuple(late / 100 for late in model.groove),
        seed=model.seed,
        root=home.root,
        scale=home.scale,
        key_name=_key_name(key.root, key.scale) if "key" in document.data else "",
        meter=model.meter,
        lanes=tuple(lanes),
        macros=tuple(
            Macro(name, item.start, item.curve, item.slew_ms, tuple(d.made() for d in item.drives))
            for name, item in model.macros.items()
        ),
        sections=tuple(
            _section(name, item, model, lanes, broken) for name, item in model.sections.items()
        ),
        order=tuple(
            Entry(
                entry.section or "",
                None if entry.bars == "open" else entry.bars,
                entry.times,
                tuple(entry.choose.items()),
                entry.fill,
            )
            for entry in model.order
        ),
        order_again=model.after_order == "again",
        order_starts=model.order_starts == "with-start",
    )


def _key(root: str, scale: str | tuple[int, ...]) -> Key:
    return Key(parse_root(root), scale if isinstance(scale, tuple) else SCALES[scale])


def _key_name(root: str, scale: str | tuple[int, ...]) -> str:
    return f"{root} {scale}" if isinstance(scale, str) else f"{root} {list(scale)}"


def _section(
    name: str, model: SectionModel, whole: SetModel, lanes: list[Lane], broken: frozenset[str]
) -> Section:
    play = tuple(lane.name for lane in lanes) if model.play == "all" else model.play
    key = model.key
    root = whole.key.root if key is None or key.root is None else key.root
    scale = whole.key.scale if key is None or key.scale is None else key.scale
    within = _key(root, scale)
    settings: dict[str, dict[str, float]] = {}
    written: dict[str, Lane] = {}
    for lane in lanes:
        base = whole.lanes.get(lane.name)
        if base is None or lane.name in broken:
            continue
        over = model.lanes.get(lane.name)
        if over is None:
            changed = None if key is None else in_section(lane, base, within)
        else:
            there = varied(base, over)
            wrong = next(there.complaints(), None)
            settings[lane.name] = there.numbers()
            changed = None if wrong else in_section(lane, there.model, within)
        if changed is not None:
            written[lane.name] = changed
    return Section(
        name,
        None if play is None else tuple(play),
        dict(model.macros),
        {lane: values for lane, values in settings.items() if values},
        model.tempo,
        model.swing,
        None if key is None else within.root,
        None if key is None else within.scale,
        "" if key is None else _key_name(root, scale),
        written,
    )
