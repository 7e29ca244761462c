"""Truth and timing tables of the manual, read back so that they can be played and drawn.

A row is a label, two spaces or more, and its cells. A label that is a name is something given: hits
(``x``, ``X``, ``.``, or 1 and 0), gates (``▔▁``, one sign per sixteenth) or values (numbers,
or names of notes); ``NAME (out)`` is given and muted. Any other label is what is shown: an
expression of logic, or a lane as the set file has it, in braces. ``n = 2`` is the function itself
with this count.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from bridge.files import reference
from bridge.files.blocks import Signs
from bridge.music.gate_functions import GATE_FUNCTIONS

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


def read(lines: Sequence[str], word: str = "") -> Table:
    """The table that stands in these lines. `word` is the function it is about."""
    given: dict[str, tuple[str, ...]] = {}
    muted: set[str] = set()
    shown: list[tuple[str, tuple[str, ...]]] = []
    gates = False
    for line in lines:
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
    return Table(given, frozenset(muted), tuple(shown), gates)


def all_tables() -> dict[str, Table]:
    """Every table by the name of its picture: functions, functions by gates, operators, taps, and
    ``source-KIND``."""
    found: dict[str, Table] = {}
    for block in reference.text():
        if not isinstance(block, Signs) or not block.names:
            continue
        whole = read(block.lines, block.names[0])
        if len(block.names) == 1:
            found[block.names[0]] = whole
            continue
        for name, (label, cells) in zip(block.names, whole.shown, strict=True):
            words = re.findall(r"[a-z-]+", label)
            given = {lane: row for lane, row in whole.given.items() if lane in words}
            found[name] = Table(given, whole.muted, ((label, cells),))
    for word in GATE_FUNCTIONS:  # some words do the same by gates as on steps
        found.setdefault(f"{word}-by-gates", found[word])
    return found
