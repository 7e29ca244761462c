"""What takes a command back: computed from the state just before it, as absolute actions.

One value that a hand moves is simply sent again; what has more to it (a mute and what it waited
for, a section with all that it changed) is put back as the state had it.

Transport, position, holds, resets, soundcheck and taking the clock are moments and not states:
they have no inverse and make no step in the history.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any

from bridge.service import commands as c
from bridge.service.heading import heading

Wire = dict[str, Any]


_SCENE = ("section", "section_pending", "order", "morph", "tempo", "tempo_glide")


def put_back(**parts: Any) -> Wire:
    """The command that gives members of an earlier state back, exactly as they were."""
    return {"do": "put-back", "parts": parts}


def scene_of(state: Mapping[str, Any]) -> Wire:
    """What a section may change, as it is in `state`: to be put back in one piece."""
    return put_back(
        lanes=_of_lanes(state, state.get("lanes", {}), ("under", "pending", "hand")),
        macros=dict(state.get("macros", {})),
        **{name: state[name] for name in _SCENE if name in state},
    )


def _of_lanes(
    state: Mapping[str, Any], lanes: Iterable[str], members: Iterable[str]
) -> dict[str, Any]:
    found = {}
    for name in lanes:
        lane = state["lanes"][name]
        found[name] = {member: lane[member] for member in members if member in lane}
        if "under" not in lane and "under" in members:
            found[name]["under"] = lane["muted"]
    return found


def _own_mute(lane: Mapping[str, Any]) -> bool:
    """Whether the lane is muted itself, whatever is held on it."""
    return bool(lane.get("under", lane["muted"]))


def inverse(
    command: c.Command, state: Mapping[str, Any], latest: Mapping[tuple[Any, ...], Any]
) -> tuple[Any, ...]:
    """The actions that take `command` back, or () when it cannot or need not be taken back.

    `latest` holds values that were sent for an address and are not confirmed yet: they count as
    the value before.
    """
    lanes = state.get("lanes", {})

    def before(read: Callable[[], Any]) -> Any:
        return latest.get(command.address(), read())

    match command:
        case c.Mute():
            lane = lanes[command.lane]
            was = before(lambda: _own_mute(lane))
            waits = None if command.address() in latest else lane.get("pending")
            if was == command.muted and not waits and command.return_bars is None:
                return ()
            return (put_back(lanes={command.lane: {"under": was, "pending": waits}}),)
        case c.Cancel() if command.lane is not None:
            waits = lanes[command.lane].get("pending")
            return (put_back(lanes={command.lane: {"pending": waits}}),) if waits else ()
        case c.Cancel():
            waits = state.get("section_pending")
            if not waits or waits["section"] != command.section or waits.get("by") == "order":
                return ()
            return (put_back(section_pending=waits),)
        case c.Group():
            group = [name for name, lane in lanes.items() if command.group in lane["groups"]]
            return (put_back(lanes=_of_lanes(state, group, ("under", "pending"))),)
        case c.AllOut():
            waiting = {n: state[n] for n in ("section_pending", "order") if n in state}
            return (put_back(lanes=_of_lanes(state, lanes, ("under", "pending")), **waiting),)
        case c.Solo():
            was = before(lambda: bool(lanes[command.lane]["solo"]))
            return ({"do": "solo", "lane": command.lane, "on": was},) if was != command.on else ()
        case c.Still():
            was = before(lambda: bool(lanes[command.lane].get("still", not command.on)))
            return ({"do": "still", "lane": command.lane, "on": was},) if was != command.on else ()
        case c.MacroMove():
            macro = state["macros"][command.macro]
            if "glide" in macro and command.address() not in latest:
                return (put_back(macros={command.macro: macro}),)
            was = before(lambda: heading(macro))
            return ({**command.wire(), "value": was},) if was != command.value else ()
        case c.SettingMove():
            lane = lanes[command.lane]
            written = None if "hand" in lane else lane["settings"].get(command.setting)
            was = before(lambda: lane.get("hand", {}).get(command.setting, written))
            if was == command.value:
                return ()
            if state.get("morph"):  # the hand has taken the setting out of it
                hand = {k: v for k, v in lane["hand"].items() if k != command.setting}
                hand |= {} if was is None else {command.setting: was}
                return (put_back(lanes={command.lane: {"hand": hand}}, morph=state["morph"]),)
            return ({**command.wire(), "value": was},)
        case c.TempoMove() | c.Tap():
            if state.get("tempo_glide") and command.address() not in latest:
                return (put_back(tempo=state["tempo"], tempo_glide=state["tempo_glide"]),)
            was = before(lambda: state["transport"]["tempo"])
            return ({"do": "tempo", "bpm": was},)
        case c.OffsetMove():
            was = before(lambda: state["clock"]["offset_ms"])
            return ({"do": "offset", "ms": was},) if was != command.ms else ()
        case c.NudgeBy():
            return ({"do": "nudge", "ms": -command.ms},) if command.ms else ()
        case c.Follow():
            was = before(lambda: state["clock"]["source"])
            return ({"do": "follow", "source": was},) if was != command.source else ()
        case c.Order() if command.leg is None and command.run == state["order"]["running"]:
            return ()
        case c.Order() | c.Recall():
            return (scene_of(state),)
    return ()


def value_of(command: c.Command) -> Any:
    """The value that `latest` remembers for the command's address, or None for none."""
    match command:
        case c.Mute():
            return command.muted if command.when == "now" else None
        case c.MacroMove() | c.SettingMove():
            return command.value  # None, a hand taken off, is not remembered
        case c.TempoMove():
            return command.bpm
        case c.OffsetMove():
            return command.ms
        case c.Solo() | c.Still():
            return command.on
        case c.Start() | c.Continue():
            return "running"
        case c.Stop():
            return "stopped"
    return None


def label(command: c.Command) -> str:
    """A few words for the history: what was done."""
    match command:
        case c.Mute():
            return f"{command.lane} {'out' if command.muted else 'in'}"
        case c.Group():
            return f"group {command.group} {'out' if command.muted else 'in'}"
        case c.MacroMove():
            return f"{command.macro} {command.value:.2f}"
        case c.SettingMove():
            if command.value is None:
                return f"{command.lane} {command.setting} as written"
            return f"{command.lane} {command.setting} {command.value:g}"
        case c.Recall():
            return f"section {command.section}"
        case c.Solo():
            return f"{command.lane} solo {'on' if command.on else 'off'}"
        case c.Still():
            return f"{command.lane} {'held still' if command.on else 'drifting'}"
        case c.TempoMove():
            return f"tempo {command.bpm:g}"
        case c.OffsetMove():
            return f"offset {command.ms:g} ms"
        case c.Cancel():
            return f"{command.lane or command.section} stays"
        case c.AllOut():
            return "all out"
        case c.Order():
            return f"running order {'on' if command.run else 'off'}"
    return command.do


def sweep(command: c.Command) -> tuple[Any, ...] | None:
    """The address under which quick moves melt into one step; None for single gestures."""
    if isinstance(command, c.MacroMove | c.SettingMove | c.TempoMove | c.OffsetMove | c.Tap):
        return command.address()
    return None
