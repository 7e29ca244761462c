"""Controls of MIDI controllers, written into the rig file where they stand.

Everything else in the file stays as the person wrote it; each change leaves a dated copy.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from typing import Any, get_args

from bridge.files import edit
from bridge.files.document import Document
from bridge.files.rig import Binding, Rig
from bridge.files.rig_change import rewrite
from bridge.protocol.limits import Target

TARGETS: tuple[Target, ...] = get_args(Target)


def row_of(binding: Binding) -> dict[str, object]:
    """A control as the file has it: what is as usual is left out."""
    row: dict[str, object] = {binding.kind: binding.number}
    if binding.channel != 1:
        row["channel"] = binding.channel
    row |= {key: getattr(binding, key) for key in TARGETS if getattr(binding, key) is not None}
    usual = Binding(binding.kind, binding.number, binding.channel)
    flags = ("pickup", "feedback", "pair", "latch", "encoder", "steps")
    return row | {
        key: getattr(binding, key) for key in flags if getattr(binding, key) != getattr(usual, key)
    }


def bind(rig: Rig, controller: str, binding: Binding, now: datetime) -> Rig:
    """Write into a rig's file what a control does; another meaning of it is replaced. Blocks.

    Args:
        rig: as it was read from its file.
        controller: its name in the rig.
        binding: the control, and what it does.
        now: the date of the copy that is kept of the file before.

    Returns:
        The rig as it is then.

    Raises:
        InputError: it cannot be written so; nothing is.
        OSError: the file cannot be written.
    """

    def change(text: str) -> str:
        path = ("controllers", controller, "controls")
        place = _place(text, controller, binding.kind, binding.number, binding.channel)
        if place is None:
            return edit.append_row(text, path, row_of(binding))
        return edit.put_row(text, path, place, row_of(binding))

    return _rewrite(rig, change, now)


def unbind(rig: Rig, controller: str, kind: str, number: int, channel: int, now: datetime) -> Rig:
    """Take out of a rig's file what a control does (see `bind`).

    Args:
        rig: as it was read from its file.
        controller: its name in the rig.
        kind: ``cc`` or ``note``.
        number: of the controller or of the note, 0..127.
        channel: 1..16.
        now: the date of the copy that is kept of the file before.

    Returns:
        The rig as it is then.

    Raises:
        InputError, OSError: as `bind`.
    """

    def change(text: str) -> str:
        place = _place(text, controller, kind, number, channel)
        if place is None:
            return text
        return edit.remove_row(text, ("controllers", controller, "controls"), place)

    return _rewrite(rig, change, now)


def put_controller(rig: Rig, name: str, port: str, now: datetime) -> Rig:
    """Write a controller into a rig's file (see `bind`).

    Args:
        rig: as it was read from its file.
        name: the controller's; one of that name gets another port.
        port: its MIDI port's name, or a part of it.
        now: the date of the copy that is kept of the file before.

    Returns:
        The rig as it is then.

    Raises:
        InputError, OSError: as `bind`.
    """

    def change(text: str) -> str:
        data: Any = Document.parse(text, "").data
        if name in (data.get("controllers") or {}):
            return edit.apply(text, [edit.Change(("controllers", name, "port"), port)])
        return edit.append_block(text, ("controllers", name), {"port": port})

    return _rewrite(rig, change, now)


def remove_controller(rig: Rig, name: str, now: datetime) -> Rig:
    """Take a controller and all its controls out of a rig's file (see `bind`).

    Args:
        rig: as it was read from its file.
        name: the controller's in the rig; one that is not there changes nothing.
        now: the date of the copy that is kept of the file before.

    Returns:
        The rig as it is then.

    Raises:
        InputError, OSError: as `bind`.
    """
    change = edit.Change(("controllers", name))
    return _rewrite(rig, lambda text: edit.apply(text, [change]), now)


def _place(text: str, controller: str, kind: str, number: int, channel: int) -> int | None:
    data: Any = Document.parse(text, "").data
    rows = ((data.get("controllers") or {}).get(controller) or {}).get("controls") or []
    for place, row in enumerate(rows):
        if row.get(kind) == number and row.get("channel", 1) == channel:
            return place
    return None


def _rewrite(rig: Rig, change: Callable[[str], str], now: datetime) -> Rig:
    """Changes the file as it is now, which may not be what was read: but only the controllers of
    what it then says are taken over, for interfaces need a new start."""
    read_back, _ = rewrite(rig, change, now)
    return replace(rig, controllers=read_back.controllers, text=read_back.text)
