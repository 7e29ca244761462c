"""The performance as plain data, and back.

The same mapping serves surfaces (who is muted, what waits and until when) and recall: everything
that a hand set can be read from it. Names stand for positions, so a state outlives an edit of
the set.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Literal, TypeVar, cast

from bridge.music import ticks
from bridge.music.model import SETTINGS, Drive, Lane
from bridge.music.names import SAME, after
from bridge.music.scene import Glide, Leg, Morph, Pending, Recall, Scene, Stage
from bridge.protocol.state import (
    LaneState,
    MacroState,
    MorphState,
    OrderState,
    PendingMute,
    PerformanceState,
    SectionPending,
)

T = TypeVar("T")


def drive_text(drive: Drive) -> str:
    """A drive in words: ``main.level-1 -0.5``, ``main.level-2 0 to 5 V``, ``rim chance +0.4``."""
    if drive.out is None:
        return f"{drive.lane} {drive.setting} {drive.depth:+g}"
    if drive.start is not None and drive.end is not None:
        return f"{drive.out} {drive.start:g} to {drive.end:g} V"
    return f"{drive.out} {drive.depth:+g}"


def place_text(stage: Stage, tick: int) -> str:
    """``bar 18``, or ``bar 18 beat 3`` off the bar line."""
    at = ticks.position(tick, stage.spec.meter)
    return f"bar {at.bar}" + (f" beat {at.beat}" if tick % stage.spec.bar_ticks else "")


# --- taking ------------------------------------------------------------------------------------


def take_lanes(stage: Stage, scene: Scene, tick: int) -> dict[str, LaneState]:
    """The part of the state that speaks of lanes; it is the larger one, and moving a macro does not
    touch it."""
    return {
        lane.name: _lane(stage, scene, position, lane, tick)
        for position, lane in enumerate(stage.lanes)
    }


def take(stage: Stage, scene: Scene, tick: int, lanes: dict[str, LaneState]) -> PerformanceState:
    """The state of `scene` at `tick`, with the part for its lanes as `take_lanes` gave it."""
    macros: dict[str, MacroState] = {}
    for macro, knob in zip(stage.spec.macros, scene.knobs, strict=True):
        entry: MacroState = {
            "value": knob.value(tick),
            "drives": list(map(drive_text, macro.drives)),
        }
        if knob.moves(tick):
            entry["glide"] = list(knob)
        macros[macro.name] = entry
    names = [section.name for section in stage.spec.sections]
    tempo = scene.tempo
    return {
        "lanes": lanes,
        "macros": macros,
        "sections": names,
        "section": None if scene.section is None else names[scene.section],
        "section_pending": _section_pending(stage, scene),
        "order": _order(scene),
        "morph": _morph(stage, scene),
        "tempo": scene.bpm,
        "tempo_glide": list(tempo) if tempo.moves(tick) else None,
    }


def _lane(stage: Stage, scene: Scene, position: int, lane: Lane, tick: int) -> LaneState:
    pending = scene.pending.get(position)
    return {
        "kind": lane.kind,
        "out": lane.out,
        "muted": scene.out[position],
        "under": scene.muted[position],
        "pending": None if pending is None else _pending(stage, pending),
        "held": position in scene.holds,
        "holds": dict(scene.holds.get(position, {})),
        "solo": position in scene.solo,
        "heard": not scene.unheard[position],
        "still": position in scene.still,
        "groups": list(lane.groups),
        "settings": _settings(stage, scene, position, tick),
        "hand": {name: value for (at, name), value in scene.hand.items() if at == position},
    }


def _settings(stage: Stage, scene: Scene, position: int, tick: int) -> dict[str, float]:
    base = scene.base[position]
    shown = {name: base[name] for name in stage.fit[position]}
    if scene.morph is not None:
        for lane, name in scene.morph.starts:
            if lane == position:
                value = stage.base_at(scene, (lane, name), tick)
                shown[name] = float(round(value)) if SETTINGS[name].whole else value
    if position in scene.still and "drift" in shown:
        shown["drift"] = stage.wish(scene, (position, "drift"))
    return shown


def _pending(stage: Stage, pending: Pending) -> PendingMute:
    return {
        "muted": pending.muted,
        "tick": pending.tick,
        "bar": pending.tick // stage.spec.bar_ticks + 1,
        "text": f"{'out' if pending.muted else 'in'} at {place_text(stage, pending.tick)}",
        "back": pending.back,
        "auto": pending.auto,
    }


def _section_pending(stage: Stage, scene: Scene) -> SectionPending | None:
    recall = scene.recall
    by: Literal["hand", "order"] = "hand"
    if recall is None and scene.leg is not None and scene.leg.then < len(stage.spec.order):
        name = stage.spec.order[scene.leg.then].section
        recall, by = Recall(scene.leg.tick, stage.sections[name]), "order"
    if recall is None:
        return None
    return {
        "section": stage.spec.sections[recall.section].name,
        "tick": recall.tick,
        "bar": recall.tick // stage.spec.bar_ticks + 1,
        "morph_bars": recall.bars,
        "mutes_at": recall.mutes_at,
        "by": by,
    }


def _order(scene: Scene) -> OrderState:
    if scene.leg is None:
        return {"running": False, "leg": None, "next": None, "tick": None}
    now, then, tick = scene.leg
    return {"running": True, "leg": now, "next": then, "tick": tick}


def _morph(stage: Stage, scene: Scene) -> MorphState | None:
    if scene.morph is None:
        return None
    return {
        "tick": scene.morph.at,
        "ticks": scene.morph.ticks,
        "from": [
            [stage.lanes[lane].name, name, value]
            for (lane, name), value in scene.morph.starts.items()
        ],
    }


# --- between two states ------------------------------------------------------------------------


def overlay(state: PerformanceState, parts: Mapping[str, Any]) -> PerformanceState:
    """`state` with `parts` of an earlier one in place of its own: single members of its lanes,
    single macros, and whole top-level members. Lanes that `state` has not are whole in `parts`."""
    lanes = {
        **state["lanes"],
        **{
            name: {**state["lanes"].get(name, {}), **kept}
            for name, kept in parts.get("lanes", {}).items()
        },
    }
    macros = {**state["macros"], **parts.get("macros", {})}
    return cast(PerformanceState, {**state, **parts, "lanes": lanes, "macros": macros})


def renamed(state: PerformanceState, names: Mapping[str, Mapping[str, str]]) -> PerformanceState:
    """`state` as a set has it in which some things have other names: `names` maps old names to new
    ones, under ``lanes``, ``macros`` and ``sections``."""
    lanes, macros = names.get("lanes", SAME), names.get("macros", SAME)
    sections = names.get("sections", SAME)
    new: PerformanceState = {
        **state,
        "lanes": _renamed(state["lanes"], lanes),
        "macros": _renamed(state["macros"], macros),
        "section": None if state["section"] is None else after(state["section"], sections),
    }
    waits = state["section_pending"]
    if waits is not None:
        section = after(waits["section"], sections)
        new["section_pending"] = None if section is None else {**waits, "section": section}
    morph = state["morph"]
    if morph is not None:
        moved = [(after(str(lane), lanes), name, value) for lane, name, value in morph["from"]]
        rows: list[list[str | float]] = [
            [lane, name, value] for lane, name, value in moved if lane is not None
        ]
        new["morph"] = {"tick": morph["tick"], "ticks": morph["ticks"], "from": rows}
    return new


def _renamed(kept: Mapping[str, T], names: Mapping[str, str]) -> dict[str, T]:
    named = ((after(name, names), value) for name, value in kept.items())
    return {name: value for name, value in named if name is not None}


# --- putting back ------------------------------------------------------------------------------


def put(stage: Stage, state: Mapping[str, Any]) -> Scene:
    """A scene from what `take` gave. KeyError, TypeError, ValueError or AttributeError when
    `state` has not its shape."""
    scene = stage.opening()
    lanes = {stage.positions[n]: s for n, s in state["lanes"].items() if n in stage.positions}
    for position, kept in lanes.items():
        _put_lane(stage, scene, position, kept)
    for name, kept in state["macros"].items():
        if name in stage.macros:
            value = _real(kept["value"])
            start, end, at, ticks = kept.get("glide") or (value, value, 0, 0)
            scene.knobs[stage.macros[name]] = Glide(
                _real(start), _real(end), _whole(at), _whole(ticks)
            )
    tempo = _real(state["tempo"])
    start, end, at, ticks = state["tempo_glide"] or (tempo, tempo, 0, 0)
    scene.tempo = Glide(_real(start), _real(end), _whole(at), _whole(ticks))
    scene.bpm = tempo
    _put_section(stage, scene, state)
    for position in range(len(stage.lanes)):
        stage.rebase(scene, position, tuple(SETTINGS))
    return scene


def _put_lane(stage: Stage, scene: Scene, position: int, kept: Mapping[str, Any]) -> None:
    kind = stage.lanes[position].kind
    scene.muted[position] = _flag(kept["under"])
    pending = kept["pending"]
    if pending is not None:
        back = pending["back"]
        scene.pending[position] = Pending(
            _whole(pending["tick"]),
            _flag(pending["muted"]),
            None if back is None else _whole(back),
            _flag(pending["auto"]),
        )
    holds = {str(client): _flag(muted) for client, muted in kept["holds"].items()}
    if holds:
        scene.holds[position] = holds
    if _flag(kept["solo"]):
        scene.solo |= {position}
    scene.still = scene.still | {position} if _flag(kept["still"]) else scene.still - {position}
    for name, value in kept["hand"].items():
        if name in SETTINGS and kind in SETTINGS[name].kinds:
            low, high = SETTINGS[name].low, SETTINGS[name].high
            scene.hand[(position, name)] = min(max(_real(value), low), high)


def _put_section(stage: Stage, scene: Scene, state: Mapping[str, Any]) -> None:
    if state["section"] in stage.sections:
        scene.section = stage.sections[state["section"]]
        for lane, values in stage.spec.sections[scene.section].lanes.items():
            for name, value in values.items():
                scene.over[(stage.positions[lane], name)] = float(value)
    waits = state["section_pending"]
    if waits is not None and waits["by"] == "hand" and waits["section"] in stage.sections:
        scene.recall = Recall(
            _whole(waits["tick"]),
            stage.sections[waits["section"]],
            _whole(waits["morph_bars"]),
            _real(waits["mutes_at"]),
        )
    order = state["order"]
    if _flag(order["running"]) and stage.spec.order:
        last = len(stage.spec.order)
        now = order["leg"]
        scene.leg = Leg(
            None if now is None else min(_whole(now), last - 1),
            min(_whole(order["next"]), last),
            _whole(order["tick"]),
        )
    morph = state["morph"]
    if morph is not None:
        starts = {
            (stage.positions[lane], name): _real(value)
            for lane, name, value in morph["from"]
            if lane in stage.positions and name in SETTINGS
        }
        scene.morph = Morph(_whole(morph["tick"]), _whole(morph["ticks"]), starts)


def _flag(value: Any) -> bool:
    if not isinstance(value, bool):
        raise TypeError(f"{value!r} is not true or false")
    return value


def _whole(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise TypeError(f"{value!r} is not a whole number")
    return value


def _real(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise TypeError(f"{value!r} is not a number")
    return float(value)
