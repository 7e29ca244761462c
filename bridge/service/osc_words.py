"""What an OSC address and its arguments mean: one command, in the words of every other surface.

The table of addresses stands in `bridge.service.osc`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from bridge.music.model import SETTINGS
from bridge.service import commands as c

FIXED = (
    "/transport/start",
    "/transport/stop",
    "/transport/continue",
    "/transport/position",
    "/order",
    "/tempo",
    "/tap",
    "/nudge",
    "/offset",
    "/take-clock",
    "/follow",
    "/all-out",
    "/release",
    "/undo",
    "/redo",
    "/subscribe",
    "/token",
)
LANE_WORDS = (
    "mute",
    "hold",
    "solo",
    "still",
    "reset",
    "cancel",
    "copy",
    "clear",
    "clear/settings",
    "randomise",
    "randomise/settings",
)
VALUES = ("mute", "solo", "still")  # words of a lane that say how it shall be, absolutely
ACTIONS = ("gate", "pitch", "level")
TRIGGERS: Mapping[str, Callable[[], c.Command]] = {
    "/transport/stop": c.Stop,
    "/transport/continue": c.Continue,
    "/take-clock": c.TakeClock,
    "/all-out": c.AllOut,
    "/release": c.Release,
    "/tap": c.Tap,
}


class ArgumentError(ValueError):
    """The arguments do not fit the address."""


def addresses(state: Mapping[str, Any], outputs: Iterable[str] = ()) -> list[str]:
    """Every address that the state (and the rig's `outputs`) has something for."""
    found = list(FIXED)
    groups: set[str] = set()
    for name, lane in state.get("lanes", {}).items():
        found += [f"/lane/{name}/{word}" for word in LANE_WORDS]
        for setting in SETTINGS.values():
            if lane["kind"] in setting.kinds:
                found += [f"/lane/{name}/{setting.name}", f"/lane/{name}/{setting.name}/written"]
        groups.update(lane.get("groups", ()))
    found += [f"/group/{group}/mute" for group in groups]
    found += [f"/macro/{name}" for name in state.get("macros", {})]
    for name in state.get("sections", ()):
        found += [f"/section/{name}", f"/section/{name}/cancel"]
    found += [f"/output/{output}/{action}" for output in outputs for action in ACTIONS]
    return found


def last_wins(address: str) -> bool:
    """Whether a message to an address (or a pattern) says how something shall be, so that of
    several that wait only the last needs to be done. Buttons and gestures are not of this kind:
    the release of a button would replace its press."""
    match address.split("/")[1:]:
        case ["macro", _] | ["tempo"] | ["offset"] | ["group", _, "mute"]:
            return True
        case ["lane", _, word]:
            return word in VALUES or word in SETTINGS
    return False


def number(value: Any) -> float:
    """A finite number out of an OSC argument (int, float, true, false)."""
    if isinstance(value, bool | int | float) and math.isfinite(value):
        return float(value)
    raise ArgumentError(f"{value!r} is not a finite number")


def arity(args: Sequence[Any], low: int, high: int) -> None:
    """Raises `ArgumentError` unless there are `low` to `high` arguments."""
    if not low <= len(args) <= high:
        raise ArgumentError(f"{len(args)} arguments where {low} to {high} are expected")


def pressed(args: Sequence[Any]) -> bool:
    """Whether a trigger is meant: no argument, or another number than 0."""
    arity(args, 0, 1)
    return not args or number(args[0]) != 0


def _flag(args: Sequence[Any]) -> bool:
    arity(args, 1, 1)
    return number(args[0]) != 0


def _clamped(args: Sequence[Any], low: float, high: float) -> float:
    arity(args, 1, 1)
    return min(max(number(args[0]), low), high)


def _whole(value: Any, low: int, high: int) -> int:
    found = number(value)
    if found != int(found) or not low <= found <= high:
        raise ArgumentError(f"{value!r} is not a whole number from {low} to {high}")
    return int(found)


def _when(value: Any) -> Any:
    return value if value in ("now", "beat", "bar") else _whole(value, 1, c.BARS_MOST)


def _moment(value: Any) -> Any:
    if value not in ("step", "beat", "bar"):
        raise ArgumentError(f"{value!r} is no moment")
    return value


def _text(value: Any, most: int = 64) -> str:
    if not isinstance(value, str) or not 0 < len(value) <= most:
        raise ArgumentError(f"{value!r} is not a short text")
    return value


def _mute(args: Sequence[Any]) -> dict[str, Any]:
    arity(args, 1, 3)
    return {
        "muted": _flag(args[:1]),
        "when": _when(args[1]) if len(args) > 1 else "now",
        "return_bars": _whole(args[2], 1, c.BARS_MOST) if len(args) > 2 else None,
    }


def command(address: str, args: Sequence[Any]) -> c.Command | c.Varied | None:
    """The command of one message to one of our addresses (not a pattern); None for the release of
    a button. Raises `ArgumentError`."""
    if address in TRIGGERS:
        return TRIGGERS[address]() if pressed(args) else None
    match address.split("/")[1:]:
        case ["lane", lane, *words]:
            return _of_lane(lane, words, args)
        case ["group", group, "mute"]:
            return c.Group(group=group, **_mute(args))
        case ["macro", macro]:
            return c.MacroMove(macro=macro, value=_clamped(args, 0, 1))
        case ["section", section]:
            return _section(section, args)
        case ["section", section, "cancel"]:
            return c.Cancel(section=section) if pressed(args) else None
        case ["order"]:
            arity(args, 1, 2)
            leg = _whole(args[1], 0, 10_000) if len(args) > 1 else None
            return c.Order(run=_flag(args[:1]), leg=leg)
        case ["transport", "start"]:
            arity(args, 0, 2)
            again = len(args) > 1 and number(args[1]) != 0
            return c.Start(restart=again) if pressed(args[:1]) else None
        case ["transport", "position"]:
            arity(args, 1, 1)
            return c.Position(tick=_whole(args[0], 0, c.TICK_MOST))
        case ["tempo"]:
            return c.TempoMove(bpm=_clamped(args, 20, 400))
        case ["nudge"]:
            return c.NudgeBy(ms=_clamped(args, -100, 100))
        case ["offset"]:
            return c.OffsetMove(ms=_clamped(args, -100, 100))
        case ["follow"]:
            arity(args, 1, 1)
            return c.Follow(source=_text(args[0], 200))
        case ["output", output, ("gate" | "pitch" | "level") as action]:
            arity(args, 1, 2)
            ms = min(max(number(args[1]), 1), 30_000) if len(args) > 1 else None
            return c.Try(output=output, action=action, value=_clamped(args[:1], -20, 127), ms=ms)
    raise ArgumentError(f"nothing is done at {address}")


def _of_lane(lane: str, words: list[str], args: Sequence[Any]) -> c.Command | c.Varied | None:
    match words:
        case ["mute"]:
            return c.Mute(lane=lane, **_mute(args))
        case ["hold"]:
            arity(args, 1, 2)
            muted = number(args[1]) != 0 if len(args) > 1 else True
            return c.Hold(lane=lane, muted=muted, active=_flag(args[:1]))
        case ["solo"]:
            return c.Solo(lane=lane, on=_flag(args))
        case ["still"]:
            return c.Still(lane=lane, on=_flag(args))
        case ["reset"]:
            return c.Reset(lane=lane) if pressed(args) else None
        case ["cancel"]:
            return c.Cancel(lane=lane) if pressed(args) else None
        case ["copy"]:
            arity(args, 1, 2)
            when = args[1] if len(args) > 1 else "beat"
            return c.Copy(lane=lane, to=_text(args[0]), when=_moment(when))
        case ["clear", *rest]:
            return c.Clear(lane=lane, what=_what(rest)) if pressed(args) else None
        case ["randomise", *rest]:
            arity(args, 1, 2)
            seed = _whole(args[1], 0, 2**31 - 1) if len(args) > 1 else None
            amount = _clamped(args[:1], 0, 1)
            return c.Randomise(lane=lane, amount=amount, seed=seed, what=_what(rest))
        case [name, "written"]:
            back = c.SettingMove(lane=lane, setting=name, value=None)
            return back if pressed(args) else None
        case [name]:
            return c.SettingMove(lane=lane, setting=name, value=_setting(name, args))
    raise ArgumentError(f"a lane has no {'/'.join(words)}")


def _what(rest: list[str]) -> Any:
    return rest[0] if rest else "pattern"


def _setting(name: str, args: Sequence[Any]) -> float | None:
    arity(args, 1, 1)
    if args[0] is None:
        return None
    setting = SETTINGS[name]
    value = _clamped(args, setting.low, setting.high)
    return float(round(value)) if setting.whole else value


def _section(section: str, args: Sequence[Any]) -> c.Recall | None:
    arity(args, 0, 4)
    if not pressed(args[:1]):
        return None
    return c.Recall(
        section=section,
        when=_when(args[1]) if len(args) > 1 else "bar",
        morph_bars=_whole(args[2], 0, c.BARS_MOST) if len(args) > 2 else 0,
        mutes_at=_clamped(args[3:], 0, 1) if len(args) > 3 else None,
    )
