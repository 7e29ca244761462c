"""Bars that were performed, made into a section: what it can hold, and what it cannot.

A section is one state. Of everything that moved within the bars it holds what stood longest, and
what that leaves out is said.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any, TypeVar

from bridge.music.model import SETTINGS, SetSpec
from bridge.session.recent import Stand

T = TypeVar("T", bound=Hashable)
Rows = Sequence[tuple[float, Stand]]
SHARE = 0.02
"""Less than this of the time is the travel of a finger, or a message that came late."""
_CHANCE: Mapping[str, Callable[[float], bool]] = {
    "chance": lambda value: value < 1,
    "drift": lambda value: value > 0,
    "humanise_ms": lambda value: value > 0,
}


@dataclass
class Kept:
    """A section as a set file writes it, and in words what of the bars is in it and what is not."""

    section: dict[str, object]
    kept: list[str] = field(default_factory=list)
    left: list[str] = field(default_factory=list)


def longest(rows: Rows, of: Callable[[Stand], T]) -> tuple[T, dict[T, float]]:
    """What stood longest, and the share of the time of everything that stood."""
    times: dict[T, float] = {}
    for ticks, stand in rows:
        value = of(stand)
        times[value] = times.get(value, 0.0) + ticks
    whole = sum(times.values())
    best = max(times, key=lambda value: times[value])
    return best, {value: ticks / whole for value, ticks in times.items()}


def kept_section(
    rows: Rows, spec: SetSpec, written: Mapping[str, Any], follows: bool, bars: int
) -> Kept:
    """
    The section that holds what was performed.

    Args:
        rows: how things stood, and for how many ticks each.
        spec: the set that played.
        written: the sections of its text, as plain data.
        follows: the tempo is another clock's, and not kept.
        bars: how many bars `rows` are, for the words.

    Returns:
        The section, and what is to be said of it.
    """
    base, sections = longest(rows, lambda stand: stand.section)
    source = dict(written.get(base or "") or {})
    made = Kept({})
    if base is not None:
        own = [key for key in ("lanes", "tempo", "swing", "key") if key in source]
        if own:
            made.kept.append(f"what section {base} writes: {', '.join(own)}")
    if _moved(base, sections):
        names = ", ".join(name or "none" for name in sections)
        made.left.append(f"the change of section ({names}): it is {base or 'the set as written'}")
    _play(made, rows, spec, bars)
    _macros(made, rows, spec)
    made.section |= {key: source[key] for key in ("swing", "key") if key in source}
    _tempo(made, rows, spec, source, follows)
    _lanes(made, rows, spec, source)
    _never(made, rows, spec)
    return made


def _moved(best: T, shares: Mapping[T, float]) -> bool:
    """Whether it stood otherwise for more than a moment."""
    return shares[best] < 1 - SHARE


def _heard(lane: str, stand: Stand) -> bool:
    return stand.heard.get(lane, True)


def _value(macro: str, stand: Stand) -> float:
    return stand.macros.get(macro, 0.0)


def _by_hand(key: tuple[str, str], stand: Stand) -> float | None:
    return stand.hand.get(key)


def _play(made: Kept, rows: Rows, spec: SetSpec, bars: int) -> None:
    plays: list[str] = []
    for lane in spec.lanes:
        heard, shares = longest(rows, partial(_heard, lane.name))
        if heard:
            plays.append(lane.name)
        if _moved(heard, shares):
            other = shares[not heard] * bars
            was, is_ = ("muted", "plays") if heard else ("heard", "is muted")
            made.left.append(f"{lane.name} was {was} for {other:.2g} of {bars} bars; it {is_}")
    everyone = len(plays) == len(spec.lanes)
    made.section["play"] = "all" if everyone else plays
    made.kept.append("all lanes play" if everyone else f"plays {', '.join(plays) or 'nothing'}")


def _macros(made: Kept, rows: Rows, spec: SetSpec) -> None:
    macros: dict[str, float] = {}
    for macro in spec.macros:
        value, shares = longest(rows, partial(_value, macro.name))
        macros[macro.name] = value
        if _moved(value, shares):
            low, high = min(shares), max(shares)
            made.left.append(
                f"{macro.name} moved between {low:g} and {high:g}; it is put to {value:g}"
            )
    if macros:
        made.section["macros"] = macros
        said = ", ".join(f"{name} {value:g}" for name, value in macros.items())
        made.kept.append(f"macros: {said}")


def _tempo(
    made: Kept, rows: Rows, spec: SetSpec, source: Mapping[str, object], follows: bool
) -> None:
    tempo, shares = longest(rows, lambda stand: stand.tempo)
    if follows:
        if "tempo" in source:
            made.section["tempo"] = source["tempo"]
        return
    if tempo != round(spec.tempo, 2) or "tempo" in source:
        made.section["tempo"] = tempo
        made.kept.append(f"tempo {tempo:g}")
    if _moved(tempo, shares):
        made.left.append(f"the tempo moved; it is {tempo:g}")


def _lanes(made: Kept, rows: Rows, spec: SetSpec, source: Mapping[str, Any]) -> None:
    lanes = {name: dict(keys) for name, keys in dict(source.get("lanes") or {}).items()}
    moved = {key for _, stand in rows for key in stand.hand}
    names = {lane.name for lane in spec.lanes}
    said: list[str] = []
    for lane, setting in sorted(moved):
        if lane not in names:
            continue
        value, shares = longest(rows, partial(_by_hand, (lane, setting)))
        if _moved(value, shares):
            made.left.append(f"{lane} {setting} moved; what stood longest is kept")
        if value is None:
            continue
        plain: float = int(value) if SETTINGS[setting].whole else value
        lanes.setdefault(lane, {})[setting] = plain
        said.append(f"{lane} {setting} {plain:g}")
    if lanes:
        made.section["lanes"] = lanes
    if said:
        made.kept.append(f"settings moved by hand: {', '.join(said)}")


def _never(made: Kept, rows: Rows, spec: SetSpec) -> None:
    """What no section holds."""
    solo = sorted({name for _, stand in rows for name in stand.solo})
    if solo:
        made.left.append(f"solo ({', '.join(solo)}): the lanes it silenced are muted instead")
    if any(stand.fills for _, stand in rows):
        made.left.append("fills: hold them again")
    if any(stand.morphs for _, stand in rows):
        made.left.append("the way of a morph between two sections")
    drawn = [lane.name for lane in spec.lanes if _draws(lane.settings)]
    if drawn:
        made.left.append(f"what chance drew ({', '.join(drawn)}): it is drawn anew")
    made.left.append("where the patterns stood: they go on from where they are")


def _draws(settings: Mapping[str, float]) -> bool:
    return any(name in settings and test(settings[name]) for name, test in _CHANCE.items())


def runs(made: Iterable[Kept]) -> list[tuple[Kept, int]]:
    """Bars one after another, those that are the same as one: pairs of a section and how many bars
    it lasts."""
    found: list[tuple[Kept, int]] = []
    for one in made:
        if found and found[-1][0].section == one.section:
            found[-1] = found[-1][0], found[-1][1] + 1
        else:
            found.append((one, 1))
    return found
