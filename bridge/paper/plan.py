"""What a rig and a set come to, in words: what drives each output, and what is left."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from bridge.errors import InputError
from bridge.files.document import in_order
from bridge.files.rig import Rig, load_rig
from bridge.files.set import SetDocument, load_set


def checked(rig_path: Path, set_path: Path | None) -> Iterator[str]:
    """The lines of `lanebridge check`.

    Raises:
        InputError: all problems of both files. When the rig is wrong the set is checked without
            it, so that its own mistakes are said as well.
    """
    try:
        rig = load_rig(rig_path)
    except InputError as error:
        problems = list(error.problems)
        if set_path is not None:
            try:
                load_set(set_path)
            except InputError as more:
                problems += in_order(more.problems)
        raise InputError(problems) from None
    document = load_set(set_path, rig) if set_path is not None else None
    yield from _summary(rig, document)


def _summary(rig: Rig, document: SetDocument | None) -> Iterator[str]:
    interfaces = _count(len(rig.interfaces), "interface")
    yield f"{rig.path}: good. {rig.name}: {interfaces}, {_count(len(rig.wired), 'output')}"
    if document is None:
        return
    spec = document.spec
    derived = sum(lane.kind == "logic" for lane in spec.lanes)
    yield (
        f"{document.path}: good. {spec.name}: {_count(len(spec.lanes), 'lane')} "
        f"({derived} derived), {_count(len(spec.macros), 'macro')}, "
        f"{_count(len(spec.sections), 'section')}"
    )
    yield from outputs(rig, document)
    for problem in document.warnings:
        yield f"{problem} (warning)"


def _count(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def drivers(rig: Rig, document: SetDocument) -> dict[str, list[str]]:
    """For every output of the rig, what plays or drives it."""
    found: dict[str, list[str]] = {name: [] for name in rig.wired}
    for lane in document.spec.lanes:
        if lane.out is not None:
            found[lane.out].append(lane.name)
        for drive in lane.drives:
            if drive.out is not None:
                found[drive.out].append(f"lane {lane.name}")
    for macro in document.spec.macros:
        for drive in macro.drives:
            if drive.out is not None:
                found[drive.out].append(f"macro {macro.name}")
    return found


def outputs(rig: Rig, document: SetDocument) -> Iterator[str]:
    """One line per output: kind, volts, what drives it, where the cable goes; then what is free."""
    driven = drivers(rig, document)
    used = [name for name in rig.wired if driven[name]]
    width = max((len(name) for name in used), default=0)
    words = {name: ", ".join(driven[name]) for name in used}
    wide = max((len(text) for text in words.values()), default=0)
    for name in used:
        out = rig.wired[name]
        volts = f"{out.output.low:g}..{out.output.high:g} V"
        cable = out.cable or "no cable named"
        yield f"  {name:{width}}  {out.output.kind:7} {volts:9} {words[name]:{wide}}  {cable}"
    free = [name for name in rig.wired if not driven[name]]
    yield f"  free: {', '.join(free) if free else 'none'}"
    loose = [lane.name for lane in document.spec.lanes if lane.out is None]
    if loose:
        yield f"  lanes without an output: {', '.join(loose)}"
