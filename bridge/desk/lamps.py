"""What a MIDI controller shows: the state of what it moves, on the numbers that it sends itself.

A macro is its value (a ring or a motor); a lane is lit while it sounds, half lit while a change
waits, dark while it is muted; a section is lit while it is the one, half lit while it waits; start
and continue are lit while the song runs, stop while it stands, mute-all while every lane is muted,
order-next while the entry that plays waits for it.
Common practice, no source: brightness by velocity or value, dark at 0.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from bridge.desk.knobs import FINE
from bridge.files.rig import Binding, Controller

LIT, HALF, DARK = 127, 64, 0


def messages(binding: Binding, state: Mapping[str, object]) -> list[bytes]:
    """The messages that show `binding` as `state` has it; none when there is nothing to show."""
    value = _macro(binding, state)
    channel = binding.channel - 1
    if value is not None and binding.pair:
        code = round(value * 16383)
        return [
            bytes((0xB0 | channel, binding.number, code >> 7)),
            bytes((0xB0 | channel, binding.number + FINE, code & 0x7F)),
        ]
    level = round(value * 127) if value is not None else _lamp(binding, state)
    if level is None:
        return []
    status = 0xB0 if binding.kind == "cc" else 0x90
    return [bytes((status | channel, binding.number, level))]


def shown(
    controllers: Iterable[Controller], state: Mapping[str, object], busy: frozenset[tuple[str, str]]
) -> dict[tuple[str, bytes], bytes]:
    """Every message by port and address (status and number). `busy` has the (controller, macro)
    pairs under a hand: a motor must not pull against it. An encoder has no motor: its ring goes
    with the hand."""
    found: dict[tuple[str, bytes], bytes] = {}
    for controller in controllers:
        for binding in controller.bindings:
            held = binding.encoder is None and (controller.name, binding.macro) in busy
            if not binding.feedback or held:
                continue
            for data in messages(binding, state):
                found[controller.port, data[:2]] = data
    return found


def _macro(binding: Binding, state: Mapping[str, Any]) -> float | None:
    if binding.macro is None:
        return None
    macro = state.get("macros", {}).get(binding.macro)
    return None if macro is None else min(max(float(macro["value"]), 0.0), 1.0)


def _lamp(binding: Binding, state: Mapping[str, Any]) -> int | None:
    lanes = state.get("lanes", {})
    if binding.mute is not None:
        lane = lanes.get(binding.mute)
        if lane is None:
            return None
        if lane.get("pending"):
            return HALF
        return DARK if lane["muted"] else LIT
    if binding.section is not None:
        if binding.section == state.get("section"):
            return LIT
        waits = state.get("section_pending") or {}
        return HALF if waits.get("section") == binding.section else DARK
    runs = state.get("transport", {}).get("state") in ("running", "lost")
    order = state.get("order", {})
    words = {
        "start": runs,
        "continue": runs,
        "stop": not runs,
        "mute-all": bool(lanes) and all(lane["muted"] for lane in lanes.values()),
        "order-next": bool(order.get("running")) and order["tick"] is None,
    }
    lit = words.get(binding.transport or "")
    return None if lit is None else LIT if lit else DARK
