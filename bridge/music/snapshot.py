"""The performance as plain data, and back.

The same mapping serves surfaces (who is muted, what waits and until when) and recall: everything
that a hand set can be read from it. Names stand for positions, so a state outlives an edit of
the set.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Literal, TypeVar, cast

from bridge.music import ticks
from bridge.music.live_state import (
    Entry,
    Glide,
    LiveState,
    Morph,
    Pending,
    Recall,
    Rewrite,
    SetIndex,
)
from bridge.music.model import SETTINGS, Drive, Lane
from bridge.music.names import SAME, after
from bridge.music.order import place_after

if TYPE_CHECKING:
    from bridge.protocol.state import (
        FormState,
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
    what = f"{drive.lane} {drive.setting}" if drive.out is None else drive.out
    if drive.start is not None and drive.end is not None:
        return f"{what} {drive.start:g} to {drive.end:g}{'' if drive.out is None else ' V'}"
    return f"{what} {drive.depth:+g}"


def place_text(index: SetIndex, tick: int) -> str:
    """``bar 18``, or ``bar 18 beat 3`` off the bar line.

    Args:
        index: of the set that plays, for its meter.
        tick: counted from the song's beginning.
    """
    at = ticks.position(tick, index.spec.meter)
    return at.words if tick % index.spec.bar_ticks else f"bar {at.bar}"


# --- taking ------------------------------------------------------------------------------------


def take_lanes(index: SetIndex, live: LiveState, tick: int) -> dict[str, LaneState]:
    """The part of the state that speaks of lanes; it is the larger one, and moving a macro does not
    touch it.

    Args:
        index: of the set that plays.
        live: what is set; it stays as it is.
        tick: that of now; a morph under way stands where it is then.

    Returns:
        The state of each lane by its name, for `take`.
    """
    return {
        lane.name: _lane(index, live, position, lane, tick)
        for position, lane in enumerate(index.lanes)
    }


def take(
    index: SetIndex, live: LiveState, tick: int, lanes: dict[str, LaneState]
) -> PerformanceState:
    """The state of a performance, as surfaces show it and `put` puts it back.

    Args:
        index: of the set that plays.
        live: what is set.
        tick: at which tick.
        lanes: the part for its lanes, as `take_lanes` gave it.
    """
    macros: dict[str, MacroState] = {}
    for macro, knob in zip(index.spec.macros, live.knobs, strict=True):
        entry: MacroState = {
            "value": knob.value(tick),
            "drives": list(map(drive_text, macro.drives)),
        }
        if knob.moves(tick):
            entry["glide"] = list(knob)
        macros[macro.name] = entry
    names = [section.name for section in index.spec.sections]
    tempo = live.tempo
    return {
        "lanes": lanes,
        "macros": macros,
        "sections": names,
        "section": None if live.section is None else names[live.section],
        "form": _form(index, live),
        "section_pending": _section_pending(index, live),
        "order": _order(live),
        "solo_until": live.solo_until,
        "fills": [list(held) for held in live.fills],
        "morph": _morph(index, live),
        "tempo": live.bpm,
        "tempo_glide": list(tempo) if tempo.moves(tick) else None,
    }


def _lane(index: SetIndex, live: LiveState, position: int, lane: Lane, tick: int) -> LaneState:
    pending = live.pending.get(position)
    return {
        "kind": index.lane(live, position).kind,
        "out": lane.out,
        "muted": live.out[position],
        "under": live.muted[position],
        "pending": None if pending is None else _pending(index, pending),
        "held": position in live.holds,
        "holds": dict(live.holds.get(position, {})),
        "solo": position in live.solo,
        "heard": not live.unheard[position],
        "filling": position in live.filling,
        "freeze": position in live.frozen,
        "groups": list(lane.groups),
        "settings": _settings(index, live, position, tick),
        "hand": {name: value for (at, name), value in live.hand.items() if at == position},
    }


def _settings(index: SetIndex, live: LiveState, position: int, tick: int) -> dict[str, float]:
    base = live.base[position]
    shown = {name: base[name] for name in index.fit[index.lane(live, position).kind]}
    if live.morph is not None:
        for lane, name in live.morph.starts:
            if lane == position:
                value = index.base_at(live, (lane, name), tick)
                shown[name] = float(round(value)) if SETTINGS[name].whole else value
    if position in live.frozen and "drift" in shown:
        shown["drift"] = index.wish(live, (position, "drift"))
    return shown


def _pending(index: SetIndex, pending: Pending) -> PendingMute:
    return {
        "muted": pending.muted,
        "tick": pending.tick,
        "bar": pending.tick // index.spec.bar_ticks + 1,
        "text": f"{'muted' if pending.muted else 'on'} at {place_text(index, pending.tick)}",
        "back": pending.back,
        "auto": pending.auto,
    }


def _section_pending(index: SetIndex, live: LiveState) -> SectionPending | None:
    recall = live.recall
    by: Literal["hand", "order"] = "hand"
    entry, order = live.entry, index.spec.order
    if recall is None and entry is not None and entry.tick is not None and entry.then < len(order):
        recall, by = Recall(entry.tick, index.coming(live, entry)), "order"
    if recall is None:
        return None
    return {
        "section": index.spec.sections[recall.section].name,
        "tick": recall.tick,
        "bar": recall.tick // index.spec.bar_ticks + 1,
        "morph_bars": recall.bars,
        "mutes_at": recall.mutes_at,
        "by": by,
    }


def _form(index: SetIndex, live: LiveState) -> FormState:
    names = [section.name for section in index.spec.sections]
    rewrite = live.rewrite
    then = None if rewrite is None or rewrite.form is None else names[rewrite.form]
    return {
        "section": None if live.form is None else names[live.form],
        "next": then,
        "tick": None if rewrite is None else rewrite.tick,
    }


def _order(live: LiveState) -> OrderState:
    if live.entry is None:
        none = {"entry": None, "next": None, "tick": None, "ends": None}
        return cast("OrderState", {"running": False, **none, "time": 0, "begun": 0})
    now, then, tick, ends, time, begun = live.entry
    return {
        "running": True,
        "entry": now,
        "next": then,
        "tick": tick,
        "ends": ends,
        "time": time,
        "begun": begun,
    }


def _morph(index: SetIndex, live: LiveState) -> MorphState | None:
    if live.morph is None:
        return None
    return {
        "tick": live.morph.at,
        "ticks": live.morph.ticks,
        "from": [
            [index.lanes[lane].name, name, value]
            for (lane, name), value in live.morph.starts.items()
        ],
    }


# --- between two states ------------------------------------------------------------------------


def overlay(state: PerformanceState, parts: Mapping[str, Any]) -> PerformanceState:
    """A state with parts of an earlier one in place of its own. Neither is changed.

    Args:
        state: the state of now.
        parts: single members of lanes under ``lanes``, single macros under ``macros``, and whole
            top-level members. Lanes that `state` has not are whole in them.

    Raises:
        KeyError, TypeError, ValueError, AttributeError: these are no parts of a state.
    """
    lanes = {
        **state["lanes"],
        **{
            name: {**state["lanes"].get(name, {}), **kept}
            for name, kept in parts.get("lanes", {}).items()
        },
    }
    macros = {**state["macros"], **parts.get("macros", {})}
    return cast("PerformanceState", {**state, **parts, "lanes": lanes, "macros": macros})


def renamed(state: PerformanceState, names: Mapping[str, Mapping[str, str]]) -> PerformanceState:
    """A state as a set has it in which some things have other names.

    Args:
        state: it stays as it is.
        names: new names by old ones, under ``lanes``, ``macros`` and ``sections``; what is not in
            it keeps its name, or is left out when another has taken that.
    """
    lanes, macros = names.get("lanes", SAME), names.get("macros", SAME)
    sections = names.get("sections", SAME)
    new: PerformanceState = {
        **state,
        "lanes": _renamed(state["lanes"], lanes),
        "macros": _renamed(state["macros"], macros),
        "section": None if state["section"] is None else after(state["section"], sections),
    }
    form = state["form"]
    new["form"] = {
        "section": None if form["section"] is None else after(form["section"], sections),
        "next": None if form["next"] is None else after(form["next"], sections),
        "tick": form["tick"],
    }
    waits = state["section_pending"]
    if waits is not None:
        section = after(waits["section"], sections)
        new["section_pending"] = None if section is None else {**waits, "section": section}
    new["fills"] = [
        [client, what if not what or ":" in what else after(what, lanes) or ""]
        for client, what in state["fills"]
        if not what or ":" in what or after(what, lanes) is not None
    ]
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


def put(index: SetIndex, state: Mapping[str, Any]) -> LiveState:
    """A state of a performance from what `take` gave.

    Args:
        index: of the set that plays. Lanes, macros and sections that it does not have are passed
            over; those that `state` does not speak of are as the set is written.
        state: may come from outside: numbers are checked, and settings kept within their ranges.

    Raises:
        KeyError, TypeError, ValueError, AttributeError: `state` has not the shape of a state.
    """
    live = index.opening()
    _put_form(index, live, state)
    lanes = {index.positions[n]: s for n, s in state["lanes"].items() if n in index.positions}
    for position, kept in lanes.items():
        _put_lane(index, live, position, kept)
    for name, kept in state["macros"].items():
        if name in index.macros:
            value = _real(kept["value"])
            start, end, at, ticks = kept.get("glide") or (value, value, 0, 0)
            live.knobs[index.macros[name]] = Glide(
                _real(start), _real(end), _whole(at), _whole(ticks)
            )
    tempo = _real(state["tempo"])
    start, end, at, ticks = state["tempo_glide"] or (tempo, tempo, 0, 0)
    live.tempo = Glide(_real(start), _real(end), _whole(at), _whole(ticks))
    live.bpm = tempo
    _put_section(index, live, state)
    until = state.get("solo_until")  # a state from before drops has none
    live.solo_until = _whole(until) if until is not None and live.solo else None
    for client, what in state.get("fills", ()):
        held = index.filled_by(str(what))
        if held:
            live.fills[str(client), str(what)] = held
    for position in range(len(index.lanes)):
        index.rebase(live, position, tuple(SETTINGS))
    return live


def _put_lane(index: SetIndex, live: LiveState, position: int, kept: Mapping[str, Any]) -> None:
    kind = index.lane(live, position).kind
    live.muted[position] = _flag(kept["under"])
    pending = kept["pending"]
    if pending is not None:
        back = pending["back"]
        live.pending[position] = Pending(
            _whole(pending["tick"]),
            _flag(pending["muted"]),
            None if back is None else _whole(back),
            _flag(pending["auto"]),
        )
    holds = {str(client): _flag(muted) for client, muted in kept["holds"].items()}
    if holds:
        live.holds[position] = holds
    if _flag(kept["solo"]):
        live.solo |= {position}
    live.frozen = (
        live.frozen | {position}
        if _flag(kept.get("freeze", kept.get("still")))
        else live.frozen - {position}
    )
    for name, value in kept["hand"].items():
        if name in SETTINGS and kind in SETTINGS[name].kinds:
            low, high = SETTINGS[name].low, SETTINGS[name].high
            live.hand[(position, name)] = min(max(_real(value), low), high)


def _put_form(index: SetIndex, live: LiveState, state: Mapping[str, Any]) -> None:
    """What lanes are made of. It follows from the section unless it waits for the middle of a
    morph: a section that has been given differences since the state was taken has them at once."""

    def known(name: Any) -> int | None:
        place = index.sections.get(name)
        return place if place is not None and index.spec.sections[place].rewrites else None

    form = state.get("form")
    if form is None or form["tick"] is None:  # a state from before sections could do this has none
        live.form = known(state["section"])
        return
    live.form = known(form["section"])
    live.rewrite = Rewrite(_whole(form["tick"]), known(form["next"]))


def _put_section(index: SetIndex, live: LiveState, state: Mapping[str, Any]) -> None:
    if state["section"] in index.sections:
        live.section = index.sections[state["section"]]
        live.over = dict(index.overrides[live.section])
    waits = state["section_pending"]
    if waits is not None and waits["by"] == "hand" and waits["section"] in index.sections:
        live.recall = Recall(
            _whole(waits["tick"]),
            index.sections[waits["section"]],
            _whole(waits["morph_bars"]),
            _real(waits["mutes_at"]),
        )
    order = state["order"]
    if _flag(order["running"]) and index.spec.order:
        last = len(index.spec.order)
        now = None if order["entry"] is None else min(_whole(order["entry"]), last - 1)
        # What follows is asked of the set: since then it may have learned to begin anew, or to end.
        time, begun = _whole(order.get("time", 0)), _whole(order.get("begun", 0))
        then = (
            min(_whole(order["next"]), last)
            if now is None
            else place_after(index.spec, now, time)[0]
        )
        tick, ends = (
            None if at is None else _whole(at)
            for at in (order["tick"], order.get("ends", order["tick"]))
        )
        live.entry = Entry(now, then, tick, ends, time, begun)
    morph = state["morph"]
    if morph is not None:
        starts = {
            (index.positions[lane], name): _real(value)
            for lane, name, value in morph["from"]
            if lane in index.positions and name in SETTINGS
        }
        live.morph = Morph(_whole(morph["tick"]), _whole(morph["ticks"]), starts)


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
