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
    """An action that brings section, mutes, macros, settings and tempo back to a snapshot.

    `hand` has the settings that a hand had given, `settings` what then counted.
    """

    section: str | None
    muted: Mapping[str, bool]
    macros: Mapping[str, float]
    settings: Mapping[str, Mapping[str, float]]
    hand: Mapping[str, Mapping[str, float]]
    tempo: float | None

    @classmethod
    def of(cls, state: Mapping[str, Any]) -> Restore:
        lanes = state.get("lanes", {})
        return cls(
            section=state.get("section"),
            muted={name: _own_mute(lane) for name, lane in lanes.items()},
            macros={name: m["value"] for name, m in state.get("macros", {}).items()},
            settings={name: dict(lane.get("settings", {})) for name, lane in lanes.items()},
            hand={name: dict(lane.get("hand", {})) for name, lane in lanes.items()},
            tempo=state.get("tempo"),
        )

    def section_first(self, state: Mapping[str, Any]) -> list[Wire]:
        """The commands that come first: the section that was there, or that none is to come."""
        waits, now = state.get("section_pending"), state.get("section")
        if self.section is not None and self.section != now:
            return [{"do": "section", "section": self.section, "when": "now"}]
        return [{"do": "cancel", "section": waits["section"]}] if waits else []

    def hands_off(self, state: Mapping[str, Any]) -> list[Wire]:
        """Then: settings that no hand had moved are given back, which shows what lies under."""
        return [
            _setting(name, setting, None)
            for name, lane in state.get("lanes", {}).items()
            for setting in lane.get("hand", {})
            if name in self.hand and setting not in self.hand[name]
        ]

    def differences(self, state: Mapping[str, Any]) -> list[Wire]:
        """Last: the commands that lead from `state` to the snapshot; lanes and macros that are
        gone are left out."""
        wires: list[Wire] = []
        for name, lane in state.get("lanes", {}).items():
            if name in self.muted:
                wires += self._lane(name, lane)
        for name, macro in state.get("macros", {}).items():
            if name in self.macros and macro["value"] != self.macros[name]:
                wires.append({"do": "macro", "macro": name, "value": self.macros[name]})
        if self.tempo is not None and state.get("tempo") != self.tempo:
            wires.append({"do": "tempo", "bpm": self.tempo})
        return wires

    def _lane(self, name: str, lane: Mapping[str, Any]) -> list[Wire]:
        wires: list[Wire] = []
        if lane.get("pending"):
            wires.append({"do": "cancel", "lane": name})
        if _own_mute(lane) != self.muted[name]:
            wires.append(_mute(name, self.muted[name]))
        now = lane.get("settings", {})
        for setting, value in self.settings[name].items():
            if now.get(setting, value) != value:
                wires.append(_setting(name, setting, value))
        return wires


def _own_mute(lane: Mapping[str, Any]) -> bool:
    """Whether the lane is muted itself, whatever is held on it."""
    return bool(lane.get("under", lane["muted"]))


def _setting(lane: str, setting: str, value: float | None) -> Wire:
    return {"do": "setting", "lane": lane, "setting": setting, "value": value}


def _mute(lane: str, muted: bool) -> Wire:
    return {"do": "mute", "lane": lane, "muted": muted, "when": "now"}


def _mutes(state: Mapping[str, Any], lanes: list[str]) -> tuple[Wire, ...]:
    wires: list[Wire] = []
    for name in lanes:
        wires += [{"do": "cancel", "lane": name}, _mute(name, _own_mute(state["lanes"][name]))]
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
            was = before(lambda: _own_mute(lane))
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
            lane = lanes[command.lane]
            written = None if "hand" in lane else lane["settings"].get(command.setting)
            was = before(lambda: lane.get("hand", {}).get(command.setting, written))
            return () if was == command.value else ({**command.wire(), "value": was},)
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
            return command.value  # None, a hand taken off, is not remembered
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
