"""What the commands of the performance do: each handler checks the names it is given against the
set, then acts, so that a refused command leaves the state exactly as it was. The form and limits
of the fields were checked when the command was made.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import Any

from bridge.errors import CommandError, did_you_mean
from bridge.music.live_state import Entry, Glide, LiveState, Pending, Recall, SetIndex
from bridge.music.model import SETTINGS
from bridge.protocol import gestures as g
from bridge.protocol import performing as p
from bridge.protocol.command import Command
from bridge.protocol.limits import When
from bridge.protocol.running import SetTempo


def known(kind: str, name: str, names: Iterable[str]) -> str:
    """A name, when there is such a thing; otherwise a refusal that offers the nearest.

    Args:
        kind: what it is the name of, for the message: ``lane``.
        name: what was asked for.
        names: those that there are.

    Raises:
        CommandError: of kind ``unknown``; there is no such name.
    """
    names = list(names)
    if name in names:
        return name
    raise CommandError(f"there is no {kind} '{name}'{did_you_mean(name, names)}", "unknown")


def due(index: SetIndex, when: When, tick: int) -> int:
    """The tick that `when` names. A line that `tick` stands on is that line.

    Args:
        index: of the set that plays, whose meter says how long beats and bars are.
        when: ``now``, the next ``beat`` or ``bar`` line, or the next of a grid of so many bars.
        tick: as seen from there.
    """
    if when == "now":
        return tick
    bar = index.spec.bar_ticks
    grid = index.spec.beat_ticks if when == "beat" else bar if when == "bar" else when * bar
    return -(-tick // grid) * grid


def at_once(command: Command) -> Command:
    """The command as it is meant while nothing plays: no bar line will come, so what is put off to
    one is done now, and nothing takes bars to glide."""
    if isinstance(command, p.RecallSection):
        return replace(command, when="now", morph_bars=0)
    if isinstance(command, p.Mute | p.MuteGroup):
        return replace(command, when="now")
    if isinstance(command, p.NextOfOrder):
        return replace(command, when="bar")
    return command


# --- mutes -------------------------------------------------------------------------------------


def set_mute(live: LiveState, lane: int, muted: bool, at: int, tick: int, back: int | None) -> None:
    """Mute or unmute a lane; whatever it was waiting for is void.

    Args:
        live: the state that changes.
        lane: its position in the score.
        muted: how it shall be.
        at: at which tick, not before `tick`.
        tick: that of now.
        back: the tick at which it goes back by itself; None: it stays.
    """
    live.pending.pop(lane, None)
    if at > tick:
        if live.muted[lane] != muted:
            live.pending[lane] = Pending(at, muted, back)
        return
    if back is not None:
        live.pending[lane] = Pending(back, not muted, None, True)
    live.muted[lane] = muted


def _mute(index: SetIndex, live: LiveState, command: p.Mute, tick: int, client: str) -> None:
    lane = _lane(index, command.lane)
    at = due(index, command.when, tick)
    set_mute(live, lane, command.muted, at, tick, _back(index, command.return_bars, at))


def _back(index: SetIndex, return_bars: int | None, at: int) -> int | None:
    """When a mute done at `at` returns: `return_bars` later, or on the bar line after that."""
    if return_bars is None:
        return None
    bar = index.spec.bar_ticks
    return -(-(at + return_bars * bar) // bar) * bar


def _group(index: SetIndex, live: LiveState, command: p.MuteGroup, tick: int, client: str) -> None:
    group = known("group", command.group, index.groups)
    at = due(index, command.when, tick)
    back = _back(index, command.return_bars, at)
    for lane in index.groups[group]:
        set_mute(live, lane, command.muted, at, tick, back)


def _cancel(index: SetIndex, live: LiveState, command: p.Cancel, tick: int, client: str) -> None:
    """Cancel what a lane waits for, the section that is to come, or that the order goes on."""
    if command.order:
        if live.entry is not None:
            live.entry = live.entry._replace(tick=live.entry.ends)
        return
    if command.lane is not None:
        live.pending.pop(_lane(index, command.lane), None)
        return
    assert command.section is not None
    section = index.sections[known("section", command.section, index.sections)]
    if live.recall is not None and live.recall.section == section:
        live.recall = None


def _hold(index: SetIndex, live: LiveState, command: p.Hold, tick: int, client: str) -> None:
    lane = _lane(index, command.lane)
    if not client:
        raise CommandError("a hold needs the name of the client that holds")
    held = live.holds.setdefault(lane, {})
    held.pop(client, None)
    if command.active:
        held[client] = command.muted
    if not held:
        del live.holds[lane]


def _release(index: SetIndex, live: LiveState, command: p.Release, tick: int, client: str) -> None:
    """Let go everything that a client holds: it has vanished."""
    live.fills = {held: lanes for held, lanes in live.fills.items() if held[0] != client}
    for held in live.holds.values():
        held.pop(client, None)
    live.holds = {lane: held for lane, held in live.holds.items() if held}


def _solo(index: SetIndex, live: LiveState, command: p.Solo, tick: int, client: str) -> None:
    lane = _lane(index, command.lane)
    live.solo = live.solo | {lane} if command.on else live.solo - {lane}
    if not live.solo:
        live.solo_until = None


def _fill(index: SetIndex, live: LiveState, command: g.Fill, tick: int, client: str) -> None:
    if not client:
        raise CommandError("a fill needs the name of the client that holds it")
    what = ""
    if command.lane is not None:
        what = index.lanes[_hit_lane(index, command.lane)].name
    elif command.group is not None:
        what = f"group:{known('group', command.group, index.groups)}"
    live.fills.pop((client, what), None)
    if command.active:
        live.fills[client, what] = index.filled_by(what)


def _drop(index: SetIndex, live: LiveState, command: g.Drop, tick: int, client: str) -> None:
    """A solo of lanes of hits that ends on a bar line."""
    if command.lane is not None:
        kept = frozenset({_hit_lane(index, command.lane)})
    else:
        group = known("group", command.group or "", index.groups)
        kept = index.hit_lanes.intersection(index.groups[group])
        if not kept:
            raise CommandError(f"group {group} has no lane of hits that could be left", "state")
    live.solo, live.solo_until = kept, _back(index, command.return_bars, tick)


def _hit_lane(index: SetIndex, name: str) -> int:
    lane = _lane(index, name)
    if lane not in index.hit_lanes:
        raise CommandError(f"{name} is a lane of values; a lane of hits is needed here", "state")
    return lane


def _pace(index: SetIndex, live: LiveState, command: g.SetPace, tick: int, client: str) -> None:
    """Half or double time of many lanes; 0 gives each back what is written."""
    lanes: Iterable[int] = range(len(index.lanes))
    if command.group is not None:
        lanes = index.groups[known("group", command.group, index.groups)]
    for lane in lanes:
        written = index.lane(live, lane)
        live.hand.pop((lane, "pace"), None)
        if command.pace and written.kind in SETTINGS["pace"].kinds and not written.led:
            live.hand[lane, "pace"] = float(command.pace)
        if live.morph is not None:
            live.morph.starts.pop((lane, "pace"), None)
        index.rebase(live, lane, ("pace",))


def _mute_all(index: SetIndex, live: LiveState, command: p.MuteAll, tick: int, client: str) -> None:
    """Everything muted at once, and nothing that waits brings it back."""
    live.muted = [True] * len(live.muted)
    live.pending, live.holds, live.fills = {}, {}, {}
    live.recall = live.entry = None


# --- values ------------------------------------------------------------------------------------


def _macro(index: SetIndex, live: LiveState, command: p.MoveMacro, tick: int, client: str) -> None:
    macro = index.macros[known("macro", command.macro, index.macros)]
    index.turn_knob(live, macro, command.value, tick, 0)


def check_setting(kind: str, name: str, value: float | None) -> None:
    """Refuse a setting that lanes of a kind do not have, or a value outside of its range.

    Args:
        kind: of the lane, by its name in `KINDS`.
        name: the setting's in `SETTINGS`.
        value: in the setting's unit; None, where a hand is taken off: only the name is checked.

    Raises:
        CommandError: of kind ``unknown``: there is no such setting; of kind ``value``: it is
            outside, or not whole where it has to be.
    """
    having = [setting.name for setting in SETTINGS.values() if kind in setting.kinds]
    if name in SETTINGS and name not in having:
        raise CommandError(f"a lane of kind '{kind}' has no setting '{name}'", "unknown")
    setting = SETTINGS[known(f"setting of a {kind} lane", name, having)]
    if value is None:
        return
    if not setting.low <= value <= setting.high:
        raise CommandError(
            f"{name} goes from {setting.low:g} to {setting.high:g} ({setting.unit}), not {value:g}"
        )
    if setting.whole and value != int(value):
        raise CommandError(f"{name} is a whole number, not {value:g}")


def _setting(
    index: SetIndex, live: LiveState, command: p.MoveSetting, tick: int, client: str
) -> None:
    """Set a setting by hand; the value None gives it back to the section and the set."""
    lane, name = _lane(index, command.lane), command.setting
    check_setting(index.lane(live, lane).kind, name, command.value)
    if command.value is None:
        live.hand.pop((lane, name), None)
    else:
        live.hand[(lane, name)] = command.value
    if live.morph is not None:
        live.morph.starts.pop((lane, name), None)
    index.rebase(live, lane, (name,))


def _freeze(index: SetIndex, live: LiveState, command: p.Freeze, tick: int, client: str) -> None:
    lane = _lane(index, command.lane)
    live.frozen = live.frozen | {lane} if command.on else live.frozen - {lane}
    index.rebase(live, lane, ("drift",))


def _tempo(index: SetIndex, live: LiveState, command: SetTempo, tick: int, client: str) -> None:
    live.tempo = Glide(command.bpm, command.bpm)
    live.bpm = command.bpm


# --- sections ----------------------------------------------------------------------------------


def _section(
    index: SetIndex, live: LiveState, command: p.RecallSection, tick: int, client: str
) -> None:
    """Recall a section; a hand that does so takes over from the running order."""
    section = index.sections[known("section", command.section, index.sections)]
    share = 0.5 if command.mutes_at is None else command.mutes_at
    live.entry = None
    live.recall = Recall(due(index, command.when, tick), section, command.morph_bars, share)


def _order(index: SetIndex, live: LiveState, command: p.RunOrder, tick: int, client: str) -> None:
    """Run the order from the next bar line, from its first entry or from `entry`, or stop it where
    it is. Running it when it runs already changes nothing."""
    entries = len(index.spec.order)
    if not entries and (command.run or command.entry is not None):
        raise CommandError("the set has no running order", "state")
    if command.entry is not None and command.entry >= entries:
        raise CommandError(
            f"entry must be from 0 to {entries - 1}: the order has {entries} entries"
        )
    if not command.run:
        live.entry = None
    elif live.entry is None or command.entry is not None:
        live.recall = None
        at = due(index, "bar", tick)
        live.entry = Entry(None, command.entry or 0, at, at)


def _next_of_order(
    index: SetIndex, live: LiveState, command: p.NextOfOrder, tick: int, client: str
) -> None:
    """Go on to the next entry at a bar line, unless the entry is over before that anyway."""
    if live.entry is None:
        raise CommandError("the running order is not running", "state")
    at = due(index, command.when, tick)
    live.entry = live.entry._replace(
        tick=at if live.entry.tick is None else min(at, live.entry.tick)
    )


def _lane(index: SetIndex, name: str) -> int:
    return index.positions[known("lane", name, index.positions)]


Handler = Callable[[SetIndex, LiveState, Any, int, str], None]
HANDLERS: Mapping[type[Command], Handler] = {
    p.Mute: _mute,
    p.MuteGroup: _group,
    p.Cancel: _cancel,
    p.Hold: _hold,
    p.Release: _release,
    p.Solo: _solo,
    p.MuteAll: _mute_all,
    p.MoveMacro: _macro,
    p.MoveSetting: _setting,
    p.Freeze: _freeze,
    SetTempo: _tempo,
    p.RecallSection: _section,
    p.RunOrder: _order,
    p.NextOfOrder: _next_of_order,
    g.Fill: _fill,
    g.Drop: _drop,
    g.SetPace: _pace,
}
