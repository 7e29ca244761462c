"""Truth and timing tables of docstrings, read back so that they can be played and drawn.

A row is a label, two spaces or more, and its cells. A label that is a name is something given: hits
(``x``, ``X``, ``.``, or 1 and 0), gates (``▔▁``, one sign per sixteenth) or values (numbers);
``NAME (out)`` is given and muted. Any other label is what is shown: an expression of logic, or
a lane as the set file has it, in braces. ``n = 2`` is the function itself with this count.
"""

from __future__ import annotations

import inspect
import re
from collections.abc import Mapping
from dataclasses import dataclass

from bridge.files.blocks import Signs, of_docstring
from bridge.music import model
from bridge.music.comparators import ON_STEPS as FUNCTIONS
from bridge.music.gate_functions import GATE_FUNCTIONS
from bridge.music.logic_parse import OPERATORS, TAPS_SAY
from bridge.music.logic_tree import Expression

_ROW = re.compile(r"(\S.*?)\s{2,}(\S.*)")
_GIVEN = re.compile(r"[a-z][a-z0-9-]*( \(out\))?")
GATE_TIME = "3/16"
"""What ``t`` stands for in tables of gates."""


@dataclass(frozen=True, slots=True)
class Table:
    """What is given, by name, which of it is muted, and what comes out: (label, cells)."""

    given: Mapping[str, tuple[str, ...]]
    muted: frozenset[str]
    shown: tuple[tuple[str, tuple[str, ...]], ...]
    gates: bool = False


def read(text: str, word: str = "") -> Table | None:
    """The table of a docstring; None when it has none. `word` is the function it is about."""
    given: dict[str, tuple[str, ...]] = {}
    muted: set[str] = set()
    shown: list[tuple[str, tuple[str, ...]]] = []
    gates = False
    blocks = [block for block in of_docstring(inspect.cleandoc(text)) if isinstance(block, Signs)]
    for line in (line for block in blocks for line in block.lines):
        found = _ROW.fullmatch(line)
        if found is None:
            raise ValueError(f"{line!r} is not a row: two spaces stand before the cells")
        label, rest = found.groups()
        gates = gates or set(rest) <= {"▔", "▁"}
        cells = tuple(rest) if gates else tuple(rest.split())
        if label.startswith("n = "):
            shown.append((f"{word}({label[4:]}, {', '.join(given)})", cells))
        elif _GIVEN.fullmatch(label):
            name = label.removesuffix(" (out)")
            given[name] = cells
            if name != label:
                muted.add(name)
        else:
            shown.append((label, cells))
    if not shown:
        return None
    return Table(given, frozenset(muted), tuple(shown), gates)


def _logic() -> dict[str, Table]:
    found = {word: read(known.__doc__ or "", word) for word, known in FUNCTIONS.items()}
    for word, known in GATE_FUNCTIONS.items():
        found[f"{word}-by-gates"] = read(known.__doc__ or "", word)
    whole = read(Expression.__doc__ or "")
    if whole is not None:
        for label, cells in whole.shown:
            words = label.split()
            given = {name: row for name, row in whole.given.items() if name in words}
            word = next(w for w in words if w in OPERATORS)
            found[word] = Table(given, whole.muted, ((label, cells),))
    return {name: table for name, table in found.items() if table is not None}


def _taps() -> dict[str, Table]:
    table = read(TAPS_SAY)
    assert table is not None
    return {
        label.partition("(")[0]: Table(table.given, table.muted, ((label, cells),))
        for label, cells in table.shown
    }


SOURCES = {
    "euclid": model.Euclid,
    "steps": model.Steps,
    "every": model.Every,
    "logic": model.Logic,
    "notes": model.Notes,
    "levels": model.Levels,
    "shape": model.Shape,
    "decay": model.Decay,
    "hold": model.Hold,
    "walk": model.Walk,
}


def all_tables() -> dict[str, Table]:
    """Every table by the name of its picture: functions, functions by gates, operators, taps, and
    ``source-KIND``."""
    found = {**_logic(), **_taps()}
    for kind, source in SOURCES.items():
        table = read(source.__doc__ or "")
        if table is not None:
            found[f"source-{kind}"] = table
    return found
