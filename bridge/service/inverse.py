"""What takes a command back: computed from the state just before it, as absolute actions.

Transport, position, holds, resets, soundcheck and taking the clock are moments and not states:
they have no inverse and make no step in the history.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from bridge.service import commands as c

Wire = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Restore:
    """An action that brings mutes, macros, settings and the section back to a snapshot."""

    section: str | None
    muted: Mapping[str, bool]
    macros: Mapping[str, float]
    settings: Mapping[str, Mapping[str, float]]

    @classmethod
    def of(cls, state: Mapping[str, Any]) -> Restore:
        lanes = state.get("lanes", {})
        return cls(
            section=state.get("section"),
            muted={name: bool(lane["muted"]) for name, lane in lanes.items()},
            macros={name: m["value"] for name, m in state.get("macros", {}).items()},
            settings={name: dict(lane.get("settings", {})) for name, lane in lanes.items()},
        )

    def differences(self, state: Mapping[str, Any]) -> list[Wire]:
        """The commands that lead from `state` to the snapshot; lanes and macros that are gone are
        left out."""
        wires: list[Wire] = []
        for name, lane in state.get("lanes", {}).items():
            if name not in self.muted:
                continue
            if lane.get("pending"):
                wires.append({"do": "cancel", "lane": name})
            if bool(lane["muted"]) != self.muted[name]:
                wires.append({"do": "mute", "lane": name, "muted": self.muted[name], "when": "now"})
            for setting, value in self.settings[name].items():
                if lane.get("settings", {}).get(setting, value) != value:
                    wires.append(
                        {"do": "setting", "lane": name, "setting": setting, "value": value}
                    )
        for name, macro in state.get("macros", {}).items():
            if name in self.macros and macro["value"] != self.macros[name]:
                wires.append({"do": "macro", "macro": name, "value": self.macros[name]})
        return wires


def _mute(lane: str, muted: bool) -> Wire:
    return {"do": "mute", "lane": lane, "muted": muted, "when": "now"}


def _mutes(state: Mapping[str, Any], lanes: list[str]) -> tuple[Wire, ...]:
    wires: list[Wire] = []
    for name in lanes:
        wires += [{"do": "cancel", "lane": name}, _mute(name, bool(state["lanes"][name]["muted"]))]
    return tuple(wires)


def inverse(
    command: c.Command, state: Mapping[str, Any], latest: Mapping[tuple[Any, ...], Any]
) -> tuple[Any, ...]:
    """The actions that take `command` back, or () when it cannot or need not be taken back.

    `latest` holds values that were sent for an address and are not confirmed yet: they count as
    the value before. A ``cancel`` among the actions is for a lane that still waits.
    """
    lanes = state.get("lanes", {})

    def before(read: Callable[[], Any]) -> Any:
        return latest.get(command.address(), read())

    match command:
        case c.Mute():
            lane = lanes[command.lane]
            was = before(lambda: bool(lane["muted"]))
            if was == command.muted and not lane.get("pending") and command.return_bars is None:
                return ()
            return ({"do": "cancel", "lane": command.lane}, _mute(command.lane, was))
        case c.Cancel():
            waits = lanes[command.lane].get("pending")
            if not waits:
                return ()
            return ({**_mute(command.lane, bool(waits["muted"])), "when": "bar"},)
        case c.Group():
            return _mutes(state, [n for n, x in lanes.items() if command.group in x["groups"]])
        case c.AllOut():
            return _mutes(state, list(lanes))
        case c.Solo():
            was = before(lambda: bool(lanes[command.lane]["solo"]))
            return ({"do": "solo", "lane": command.lane, "on": was},) if was != command.on else ()
        case c.Still():
            was = before(lambda: bool(lanes[command.lane].get("still", not command.on)))
            return ({"do": "still", "lane": command.lane, "on": was},) if was != command.on else ()
        case c.MacroMove():
            was = before(lambda: state["macros"][command.macro]["value"])
            return ({**command.wire(), "value": was},) if was != command.value else ()
        case c.SettingMove():
            was = before(lambda: lanes[command.lane]["settings"].get(command.setting))
            if was is None or was == command.value:
                return ()
            return ({**command.wire(), "value": was},)
        case c.TempoMove() | c.Tap():
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
        case c.Order():
            return ({"do": "order", "run": not command.run},)
        case c.Recall():
            return (Restore.of(state),)
    return ()


def value_of(command: c.Command) -> Any:
    """The value that `latest` remembers for the command's address, or None for none."""
    match command:
        case c.Mute():
            return command.muted if command.when == "now" else None
        case c.MacroMove() | c.SettingMove():
            return command.value
        case c.TempoMove():
            return command.bpm
        case c.OffsetMove():
            return command.ms
        case c.Solo() | c.Still():
            return command.on
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
            return f"{command.lane} stays"
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
