"""Keeps the last bars that were performed: as a section of the set, or as a set beside it."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from typing import Any

from bridge.control.door import Control
from bridge.control.session import Playing
from bridge.errors import CommandError
from bridge.files import edit
from bridge.files.document import Document
from bridge.files.pack import plain_name
from bridge.protocol.command import Command
from bridge.protocol.editing import KeepBars
from bridge.session.kept import Kept, Rows, kept_section, runs
from bridge.session.recent import Recent
from bridge.session.setbook import SetBook
from bridge.session.texts import compiled

NAMED = "kept"
WHOLE_SET = (
    "a section for each stretch in which nothing moved, in this order; what moved within a bar is "
    "as it stood longest in that bar"
)


class Keeper:
    """Carries out `KeepBars` on the set of `book`."""

    def __init__(self, book: SetBook, control: Control) -> None:
        self._book = book
        self._control = control
        self.recent = Recent(control.session)
        control.others[KeepBars] = self.keep

    async def keep(self, command: Command, client: str) -> dict[str, object]:
        """
        Keeps bars.

        Returns:
            What is said about it: ``name``, ``bars``, ``sections``, ``file``, ``kept``, ``left``.

        Raises:
            CommandError: no whole bar was played, or the name is taken.
            InputError: the set would be wrong.
            PlayerError: the player is away.
        """
        assert isinstance(command, KeepBars)
        return await self._control.edits.run(client, lambda: self._keep(command, client))

    async def _keep(self, command: KeepBars, client: str) -> dict[str, object]:
        bars = self.recent.bars(command.bars)
        if not bars:
            raise CommandError("no whole bar has been played since the start", "state")
        session = self._control.session
        follows = session.state["clock"]["source"] != "internal"
        _, playing = session.loaded()
        work = _as_set if command.into == "set" else _as_section
        text, said = await asyncio.to_thread(work, playing, bars, command.name, follows)
        said |= {"bars": len(bars), "file": None}
        if len(bars) < command.bars:
            said["left"].insert(0, f"only {len(bars)} whole bars were played since the start")
        if command.into == "set":
            rig = session.the_rig()
            await asyncio.to_thread(compiled, rig, text, playing.path, 0)
            said["file"] = await self._book.add(plain_name(said["name"]), text)
        else:
            label = f"{said['name']}: the last {len(bars)} bars kept"
            await self._book.put(text, "step", client, label=label)
        return said


def _written(playing: Playing) -> dict[str, Any]:
    data: dict[str, object] = Document.parse(playing.text, playing.path.name).data
    return data


def _free(name: str, taken: set[str]) -> str:
    """The name itself, or, where none was given, one that is free. Raises `CommandError`."""
    if name:
        if name in taken:
            raise CommandError(f"there is a section '{name}' already", "taken")
        return name
    number = 1
    while (made := NAMED if number == 1 else f"{NAMED}-{number}") in taken:
        number += 1
    return made


def _as_section(
    playing: Playing, bars: Sequence[Rows], name: str, follows: bool
) -> tuple[str, dict[str, object]]:
    data = _written(playing)
    sections = data.get("sections") or {}
    name = _free(name, set(sections))
    rows = [row for bar in bars for row in bar]
    made = kept_section(rows, playing.document.spec, sections, follows, len(bars))
    text = _with(playing.text, {name: made})
    return text, {"name": name, "sections": [name], "kept": made.kept, "left": made.left}


def _as_set(
    playing: Playing, bars: Sequence[Rows], name: str, follows: bool
) -> tuple[str, dict[str, Any]]:
    data = _written(playing)
    sections = data.get("sections") or {}
    name = name or f"{playing.document.spec.name} {NAMED}"
    spec = playing.document.spec
    made = runs(kept_section(bar, spec, sections, follows, 1) for bar in bars)
    stem, taken = plain_name(name), set(sections)
    named: dict[str, Kept] = {}
    order: list[dict[str, Any]] = []
    for kept, count in made:
        own = _stretch(stem, len(named) + 1, taken)
        named[own] = kept
        order.append({"section": own, "bars": count})
    text = edit.apply(
        _with(playing.text, named),
        [
            edit.Change(("set",), name),
            edit.Change(("order",), order),
            edit.Change(("order_starts",), "with-start"),
        ],
    )
    never = dict.fromkeys(line for kept, _ in made for line in kept.left if "bars; it" not in line)
    said = {"name": name, "sections": list(named), "kept": [WHOLE_SET], "left": list(never)}
    return text, said


def _stretch(stem: str, number: int, taken: set[str]) -> str:
    while (name := f"{stem}-{number}") in taken:
        number += 1
    taken.add(name)
    return name


def _with(text: str, made: dict[str, Kept]) -> str:
    return edit.apply(
        text, [edit.Change(("sections", name), kept.section) for name, kept in made.items()]
    )
