"""What of the performance a change of the set's text would lose, so that undo can put it back.

Lanes and macros that a text no longer has take their mutes and values with them, and settings
moved by hand go when a lane becomes one of another kind. The rest outlives the change by name.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, Literal

from bridge.music.model import SetSpec
from bridge.music.names import after as named
from bridge.protocol.state import PerformanceState

_OfLane = Literal["under", "pending", "solo", "freeze", "hand"]
Names = Mapping[str, Mapping[str, str]]
NO_NAMES: Names = MappingProxyType({})
NO_PARTS: Mapping[str, object] = MappingProxyType({})
_OF_LANE: tuple[_OfLane, ...] = ("under", "pending", "solo", "freeze", "hand")


def reversed_names(renamed: Names) -> dict[str, dict[str, str]]:
    """The way back: new names to old ones."""
    return {what: {new: old for old, new in names.items()} for what, names in renamed.items()}


def to_restore(
    state: PerformanceState,
    before: SetSpec,
    after: SetSpec,
    renamed: Names,
    parts: Mapping[str, Any],
) -> dict[str, Any]:
    """The parts of `state` (that of the text before) which must come back with that text. `parts`
    are those that the change itself brings."""
    found: dict[str, object] = {}
    lanes = _lanes(state, before, after, renamed.get("lanes", {}), parts.get("lanes", {}))
    if lanes:
        found["lanes"] = lanes
        if state.get("morph"):
            found["morph"] = state["morph"]
    names, kept = renamed.get("macros", {}), {macro.name for macro in after.macros}
    macros = {
        name: macro
        for name, macro in state.get("macros", {}).items()
        if named(name, names) not in kept or name in parts.get("macros", {})
    }
    if macros:
        found["macros"] = macros
    names, kept = renamed.get("sections", {}), {section.name for section in after.sections}
    waits = state.get("section_pending")
    if waits and named(waits["section"], names) not in kept:
        found["section_pending"] = waits
    section = state.get("section")
    if section is not None and named(section, names) not in kept:
        found["section"] = section
        if "form" in state:
            found["form"] = state["form"]
    if state.get("order", {}).get("running") and len(after.order) < len(before.order):
        found["order"] = state["order"]
    if "tempo" in parts and state.get("tempo") not in (None, parts["tempo"]):
        found |= {name: state[name] for name in ("tempo", "tempo_glide") if name in state}
    return found


def _lanes(
    state: PerformanceState,
    before: SetSpec,
    after: SetSpec,
    names: Mapping[str, str],
    parts: Mapping[str, Any],
) -> dict[str, object]:
    kinds = {lane.name: lane.kind for lane in after.lanes}
    found: dict[str, object] = {}
    for lane in before.lanes:
        told = state.get("lanes", {}).get(lane.name)
        if told is None or "under" not in told:
            continue
        new = named(lane.name, names)
        if new is None or new not in kinds:
            kept: dict[str, object] = {name: told[name] for name in _OF_LANE}
            found[lane.name] = {**kept, "holds": {}}
        elif new in parts:
            found[lane.name] = {name: told[name] for name in _OF_LANE if name in parts[new]}
        elif kinds[new] != lane.kind and told["hand"]:
            found[lane.name] = {"hand": told["hand"]}
    return found
