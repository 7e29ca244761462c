"""What a rig and a set come to, in words: what drives each output, and what is left."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict
from pathlib import Path

from bridge.clock.source import INTERNAL
from bridge.errors import InputError, PortError, Problem
from bridge.files import rig_effects
from bridge.files.document import in_order
from bridge.files.rig import Rig, load_rig
from bridge.files.set import SetDocument, load_set
from bridge.paper import output_table, wire_load
from bridge.player import work
from bridge.ports import list_ports
from bridge.ports.port import find

Drawn = Callable[[list[output_table.PlannedOutput]], Iterable[str]]
"""Draws the table of outputs, as lines."""


def checked(
    rig_path: Path, set_path: Path | None, draw: Drawn = output_table.lines
) -> Iterator[str]:
    """The lines of `lanebridge check`. Raises as `read_both`."""
    rig, document = read_both(rig_path, set_path)
    yield from absent(rig)
    yield from _summary(rig, document, draw)
    yield from _said(_warnings(rig, document))


def warned(rig_path: Path, set_path: Path | None) -> Iterator[str]:
    """Those of the same lines that are warnings. Raises as `read_both`."""
    rig, document = read_both(rig_path, set_path)
    yield from absent(rig)
    yield from _said(_warnings(rig, document))


def _warnings(rig: Rig, document: SetDocument | None) -> list[Problem]:
    if document is None:
        return list(rig_effects.rig_warnings(rig))
    return [*document.warnings, *output_table.warnings(rig, document)]


def facts(rig: Rig, document: SetDocument | None) -> dict[str, object]:
    """The same for programs: what drives each output, and every warning, as plain data."""
    return {
        "good": True,
        "rig": rig.name,
        "set": None if document is None else document.spec.name,
        "outputs": [asdict(row) for row in output_table.table(rig, document)],
        "absent": list(absent(rig)),
        "warnings": [problem_facts(problem) for problem in in_order(_warnings(rig, document))],
        "problems": [],
    }


def problem_facts(problem: Problem) -> dict[str, object]:
    """One problem or warning as plain data."""
    return {"file": problem.file, **problem.facts()}


def read_both(rig_path: Path, set_path: Path | None) -> tuple[Rig, SetDocument | None]:
    """Read a rig and a set, and see whether the set can be played.

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
    if document is not None:
        work.check(document.score, rig.wired, str(document.path))
    return rig, document


def absent(rig: Rig) -> Iterator[str]:
    """A line for each MIDI port of the rig that is not there now. `play` waits for them."""
    wanted = {("out", i.port): f"interface {name}" for name, i in rig.interfaces.items()}
    if rig.clock.follow != INTERNAL:
        wanted["in", rig.clock.follow] = "clock"
    wanted |= {("in", c.port): f"controller {name}" for name, c in rig.controllers.items()}
    wanted = {
        key: what
        for key, what in wanted.items()
        if key[1] != "simulated" and not key[1].startswith("virtual:")
    }
    there = list_ports() if wanted else []
    for (way, text), what in wanted.items():
        names = [port.name for port in there if port.way == way]
        try:
            find(text, names, "output" if way == "out" else "input")
        except PortError as problem:
            yield f"{what}: {problem}; `play` waits for it (warning)"


def _summary(rig: Rig, document: SetDocument | None, draw: Drawn) -> Iterator[str]:
    interfaces = _count(len(rig.interfaces), "interface")
    yield f"{rig.path}: good. {rig.name}: {interfaces}, {_count(len(rig.wired), 'output')}"
    if document is None:
        yield from _outputs(output_table.table(rig), draw)
        return
    spec = document.spec
    derived = sum(lane.kind == "logic" for lane in spec.lanes)
    yield (
        f"{document.path}: good. {spec.name}: {_count(len(spec.lanes), 'lane')} "
        f"({derived} derived), {_count(len(spec.macros), 'macro')}, "
        f"{_count(len(spec.sections), 'section')}"
    )
    yield from _plan(rig, document, draw)


def _count(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def _outputs(rows: list[output_table.PlannedOutput], draw: Drawn) -> Iterator[str]:
    yield from (f"  {line}" for line in draw(rows))


def _plan(rig: Rig, document: SetDocument, draw: Drawn) -> Iterator[str]:
    """The table of outputs, lanes without one, and the fullest step of each wire."""
    yield from _outputs(output_table.table(rig, document), draw)
    idle = rig_effects.without_driver(rig, document.spec)
    if idle:
        yield f"  cabled, but this set does not play: {', '.join(idle)}"
    loose = [lane.name for lane in document.spec.lanes if lane.out is None]
    if loose:
        yield f"  lanes without an output: {', '.join(loose)}"
    for line in wire_load.lines(rig, document.score):
        yield f"  {line}"


def _said(problems: Iterable[Problem]) -> Iterator[str]:
    for problem in in_order(problems):
        yield f"{problem} (warning)"
