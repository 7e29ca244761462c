"""What a hand may ask for while the set plays: each command is checked whole, then done.

A command is a mapping with the word ``do``. A handler checks everything before it changes
anything, so a refused command leaves the scene exactly as it was. Keys that a handler does not
know (``seq`` and the like) are left to the doors that need them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from difflib import get_close_matches
from typing import Any

from bridge.errors import CommandError
from bridge.music.model import SETTINGS
from bridge.music.scene import Glide, Leg, Pending, Recall, Scene, Stage

Command = Mapping[str, Any]
LOWEST_TEMPO, HIGHEST_TEMPO = 20.0, 400.0
LONGEST_WAIT = 1024  # bars; more is a slip of the finger


def known(kind: str, name: Any, names: Iterable[str]) -> str:
    """`name` when it is one of `names`; otherwise a refusal that offers the nearest."""
    names = list(names)
    if isinstance(name, str) and name in names:
        return name
    if not isinstance(name, str):
        raise CommandError(f"{kind} must be a name, not {name!r}")
    near = get_close_matches(name, names, n=1)
    hint = f"; did you mean {near[0]!r}?" if near else ""
    raise CommandError(f"no {kind} is called {name!r}{hint}", "unknown")


def flag(command: Command, key: str) -> bool:
    value = command.get(key)
    if not isinstance(value, bool):
        raise CommandError(f"{key} must be true or false, not {value!r}")
    return value


def number(command: Command, key: str, low: float, high: float, unit: str = "") -> float:
    value = command.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise CommandError(f"{key} must be a number, not {value!r}")
    if not low <= value <= high:
        raise CommandError(f"{key} must be from {low:g} to {high:g}{unit and ' ' + unit}")
    return float(value)


def bars(command: Command, key: str, low: int = 1) -> int:
    """A whole number of bars."""
    value = command.get(key)
    if isinstance(value, bool) or not isinstance(value, int):
        raise CommandError(f"{key} must be a whole number of bars, not {value!r}")
    if not low <= value <= LONGEST_WAIT:
        raise CommandError(f"{key} must be from {low} to {LONGEST_WAIT} bars")
    return value


def due(stage: Stage, command: Command, tick: int, otherwise: str = "now") -> int:
    """The tick that ``when`` names, seen from `tick`: ``now``, the next ``beat`` or ``bar`` line,
    or the next line of a grid of N bars. A line that `tick` stands on is that line."""
    when = otherwise if command.get("when") is None else command["when"]
    if when == "now":
        return tick
    if when == "beat":
        grid = stage.spec.beat_ticks
    elif when == "bar":
        grid = stage.spec.bar_ticks
    elif isinstance(when, str):
        known("moment", when, ("now", "beat", "bar"))
        raise AssertionError  # pragma: no cover - the three words are handled above
    else:
        grid = bars(command, "when") * stage.spec.bar_ticks
    return -(-tick // grid) * grid


def at_once(command: Command) -> Command:
    """The command as it is meant while nothing plays: no bar line will come, so what is put off to
    one is done now, and nothing takes bars to glide."""
    if command.get("do") == "section":
        return {**command, "when": "now", "morph_bars": 0}
    if command.get("do") == "order":
        return {**command, "when": "now"}
    return {**command, "when": "now"} if command.get("when") is not None else command


# --- mutes -------------------------------------------------------------------------------------


def set_mute(scene: Scene, lane: int, muted: bool, at: int, tick: int, back: int | None) -> None:
    """Mute or unmute at `at` (not before `tick`); whatever that lane was waiting for is void."""
    scene.pending.pop(lane, None)
    if at > tick:
        if scene.muted[lane] != muted:
            scene.pending[lane] = Pending(at, muted, back)
        return
    if back is not None:
        scene.pending[lane] = Pending(back, not muted, None, True)
    scene.muted[lane] = muted


def _mute(stage: Stage, scene: Scene, command: Command, tick: int) -> None:
    lane = _lane(stage, command)
    muted = flag(command, "muted")
    at = due(stage, command, tick)
    set_mute(scene, lane, muted, at, tick, _back(stage, command, at))


def _back(stage: Stage, command: Command, at: int) -> int | None:
    """When a mute done at `at` returns: ``return_bars`` later, or on the bar line after that."""
    if command.get("return_bars") is None:
        return None
    bar = stage.spec.bar_ticks
    return -(-(at + bars(command, "return_bars") * bar) // bar) * bar


def _group(stage: Stage, scene: Scene, command: Command, tick: int) -> None:
    group = known("group", command.get("group"), stage.groups)
    muted = flag(command, "muted")
    at = due(stage, command, tick)
    back = _back(stage, command, at)
    for lane in stage.groups[group]:
        set_mute(scene, lane, muted, at, tick, back)


def _cancel(stage: Stage, scene: Scene, command: Command, tick: int) -> None:
    """Cancel what a lane waits for, or (with ``section``) the section that is to come."""
    if "section" in command:
        section = stage.sections[known("section", command["section"], stage.sections)]
        if scene.recall is not None and scene.recall.section == section:
            scene.recall = None
        return
    scene.pending.pop(_lane(stage, command), None)


def _hold(stage: Stage, scene: Scene, command: Command, tick: int) -> None:
    lane = _lane(stage, command)
    muted, active = flag(command, "muted"), flag(command, "active")
    client = _client(command)
    held = scene.holds.setdefault(lane, {})
    held.pop(client, None)
    if active:
        held[client] = muted
    if not held:
        del scene.holds[lane]


def _release(stage: Stage, scene: Scene, command: Command, tick: int) -> None:
    """Let go everything that a client holds: it has vanished."""
    client = _client(command)
    for held in scene.holds.values():
        held.pop(client, None)
    scene.holds = {lane: held for lane, held in scene.holds.items() if held}


def _solo(stage: Stage, scene: Scene, command: Command, tick: int) -> None:
    lane = _lane(stage, command)
    scene.solo = scene.solo | {lane} if flag(command, "on") else scene.solo - {lane}


def _all_out(stage: Stage, scene: Scene, command: Command, tick: int) -> None:
    """Everything out at once, and nothing that waits brings it back."""
    scene.muted = [True] * len(scene.muted)
    scene.pending, scene.holds = {}, {}
    scene.recall = scene.leg = None


# --- values ------------------------------------------------------------------------------------


def _macro(stage: Stage, scene: Scene, command: Command, tick: int) -> None:
    macro = stage.macros[known("macro", command.get("macro"), stage.macros)]
    stage.turn_knob(scene, macro, number(command, "value", 0, 1), tick, 0)


def _setting(stage: Stage, scene: Scene, command: Command, tick: int) -> None:
    """Set a setting by hand; the value None gives it back to the section and the set."""
    lane = _lane(stage, command)
    kind = stage.lanes[lane].kind
    name = known(f"setting of a {kind} lane", command.get("setting"), stage.fit[lane])
    kept = SETTINGS[name]
    if command.get("value", 0) is None:
        scene.hand.pop((lane, name), None)
    else:
        value = number(command, "value", kept.low, kept.high, kept.unit)
        if kept.whole and value != int(value):
            raise CommandError(f"{name} must be a whole number")
        scene.hand[(lane, name)] = value
    if scene.morph is not None:
        scene.morph.starts.pop((lane, name), None)
    stage.rebase(scene, lane, (name,))


def _still(stage: Stage, scene: Scene, command: Command, tick: int) -> None:
    lane = _lane(stage, command)
    scene.still = scene.still | {lane} if flag(command, "on") else scene.still - {lane}
    stage.rebase(scene, lane, ("drift",))


def _tempo(stage: Stage, scene: Scene, command: Command, tick: int) -> None:
    bpm = number(command, "bpm", LOWEST_TEMPO, HIGHEST_TEMPO, "beats per minute")
    scene.tempo = Glide(bpm, bpm)
    scene.bpm = bpm


# --- sections ----------------------------------------------------------------------------------


def _section(stage: Stage, scene: Scene, command: Command, tick: int) -> None:
    """Recall a section; a hand that does so takes over from the running order."""
    section = stage.sections[known("section", command.get("section"), stage.sections)]
    at = due(stage, command, tick, "bar")
    morph = bars(command, "morph_bars", 0) if command.get("morph_bars") is not None else 0
    share = number(command, "mutes_at", 0, 1) if command.get("mutes_at") is not None else 0.5
    scene.leg = None
    scene.recall = Recall(at, section, morph, share)


def _order(stage: Stage, scene: Scene, command: Command, tick: int) -> None:
    """Run the order from the next bar line, from its first leg or from ``leg`` (counted from 0), or
    stop it where it is. Running it when it runs already changes nothing."""
    run = flag(command, "run")
    legs = stage.spec.order
    start = command.get("leg")
    if run and not legs:
        raise CommandError("the set has no running order", "state")
    if start is not None and (
        isinstance(start, bool) or not isinstance(start, int) or not 0 <= start < len(legs)
    ):
        if not legs:
            raise CommandError("the set has no running order", "state")
        raise CommandError(f"leg must be from 0 to {len(legs) - 1}")
    if not run:
        scene.leg = None
    elif scene.leg is None or start is not None:
        scene.recall = None
        at = due(stage, {"when": "bar"}, tick)
        if command.get("when") == "now":  # on a bar line all the same: legs are whole bars long
            at = tick // stage.spec.bar_ticks * stage.spec.bar_ticks
        scene.leg = Leg(None, start or 0, at)


def _lane(stage: Stage, command: Command) -> int:
    return stage.positions[known("lane", command.get("lane"), stage.positions)]


def _client(command: Command) -> str:
    client = command.get("client")
    if not isinstance(client, str) or not client:
        raise CommandError("client must be the name of who holds")
    return client


HANDLERS: Mapping[str, Callable[[Stage, Scene, Command, int], None]] = {
    "mute": _mute,
    "group": _group,
    "cancel": _cancel,
    "hold": _hold,
    "release": _release,
    "solo": _solo,
    "all-out": _all_out,
    "macro": _macro,
    "setting": _setting,
    "still": _still,
    "tempo": _tempo,
    "section": _section,
    "order": _order,
}
