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
from bridge.files.strict import check
from bridge.music.model import Leg, Macro, Quantise, Section, SetSpec
from bridge.music.scale import SCALES, parse_root, quantise_to


@dataclass(frozen=True, slots=True)
class SetDocument:
    """A set that passed every check, with the text it was read from. `warnings` are allowed but
    may surprise (something will be clamped, say)."""

    spec: SetSpec
    document: Document
    path: Path | None = None
    warnings: tuple[Problem, ...] = ()

    @property
    def text(self) -> str:
        return self.document.text


def load_set(path: Path | str, rig: Rig | None = None, shown: str | None = None) -> SetDocument:
    """Reads a set file. With a `rig`, outputs are checked against it.

    Raises:
        InputError: every problem found, in file order.
    """
    path = Path(path)
    return read_set(Document.read(path, shown), rig, path)


def parse_set(text: str, file: str = "set.yaml", rig: Rig | None = None) -> SetDocument:
    """The same from a text."""
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
    problems += checks.compiled(whole, broken, problems)
    if problems:
        raise InputError(in_order(_misplaced(document, problems)))
    return SetDocument(spec, document, path, tuple(in_order(checks.warnings(spec))))


def _misplaced(document: Document, problems: list[Problem]) -> list[Problem]:
    """The same problems, but what is indented wrongly is told once, as that: a key of the set among
    the lanes, or a lane among the keys of the set."""
    lanes: Any = document.data.get("lanes")
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
    root = parse_root(key.root)
    scale = key.scale if isinstance(key.scale, tuple) else SCALES[key.scale]

    def quantise(wanted: str | tuple[int, ...] | None) -> Quantise | None:
        return None if wanted is None else quantise_to(wanted, root, scale)

    written: Any = document.data.get("lanes")
    lanes = []
    for name in written if isinstance(written, dict) else ():
        item = model.lanes.get(name)
        if item is None or name in broken:
            lanes.append(stand_in(str(name), written[name]))
        else:
            lanes.append(set_lane.made(str(name), item, quantise))
    named = f"{key.root} {key.scale}" if isinstance(key.scale, str) else f"{key.root} {list(scale)}"
    return SetSpec(
        name=model.set,
        tempo=model.tempo,
        swing=model.swing,
        seed=model.seed,
        root=root,
        scale=scale,
        key_name=named if "key" in document.data else "",
        meter=model.meter,
        lanes=tuple(lanes),
        macros=tuple(
            Macro(name, item.start, item.curve, item.slew_ms, tuple(d.made() for d in item.drives))
            for name, item in model.macros.items()
        ),
        sections=tuple(
            _section(name, item, tuple(map(str, written))) for name, item in model.sections.items()
        ),
        order=tuple(Leg(leg.section, leg.bars, leg.times) for leg in model.order),
    )


def _section(name: str, model: SectionModel, lanes: tuple[str, ...]) -> Section:
    play = lanes if model.play == "all" else model.play
    settings = {lane: dict(values) for lane, values in model.lanes.items()}
    return Section(
        name, None if play is None else tuple(play), dict(model.macros), settings, model.tempo
    )
