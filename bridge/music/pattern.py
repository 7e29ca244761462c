"""Patterns of steps: reading them, the order they are played in, how they drift, thin and fill.

A pattern is a tuple of marks, one per step: 0 a rest, 1 a hit, 2 an accented hit.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from math import gcd
from typing import Any

from bridge.music import chance
from bridge.music.euclid import rotate as rotate  # re-exported: a pattern is what is rotated
from bridge.music.model import Direction, Steps, StepShape

MOST_STEPS = 64
_MARKS = {".": 0, "x": 1, "X": 2}
_GOLDEN = 0.6180339887498949
_PERCENT = re.compile(r"([0-9]+(?:\.[0-9]+)?) ?%")
_TIMES = re.compile(r"([0-9]+) ?x")
_NAMED = re.compile(r"(level|gate) ([0-9]*\.?[0-9]+)")
_PASSES = re.compile(r"([0-9]+(?: [0-9]+)*) of ([0-9]+)")


def parse_steps(text: str) -> tuple[int, ...]:
    """
    Marks of a step string: ``x`` a hit, ``X`` an accented hit, ``.`` a rest; spaces are ignored.

    Raises:
        ValueError: another character (said with its column, from 1), no step, more than 64.

    """
    marks: list[int] = []
    for column, sign in enumerate(text, start=1):
        if sign.isspace():
            continue
        if sign not in _MARKS:
            raise ValueError(
                f"column {column}: {sign!r} is not a step; write x (hit), X (accent) or . (rest)"
            )
        marks.append(_MARKS[sign])
    if not 1 <= len(marks) <= MOST_STEPS:
        raise ValueError(f"{len(marks)} steps: from 1 to {MOST_STEPS} are possible")
    return tuple(marks)


def parse_pattern(text: str) -> Steps:
    """
    A step string whose hits may have parentheses behind them: ``x..x(60%, 3x) X(level 0.5)``.

    Raises:
        ValueError: as `parse_steps`; parentheses without a hit before them or without an end; what
            `parse_shape` refuses.

    """
    shapes: dict[int, StepShape] = {}
    plain = ""
    rest = text
    while "(" in rest:
        before, _, after = rest.partition("(")
        plain += before
        inside, closed, rest = after.partition(")")
        column = len(text) - len(after)
        if not closed or "(" in inside:
            raise ValueError(f"column {column}: this parenthesis is not closed")
        if not plain.strip() or before[-1:] not in ("x", "X"):
            raise ValueError(f"column {column}: parentheses stand right behind a hit, as in x(60%)")
        shapes[len("".join(plain.split())) - 1] = parse_shape(inside)
        plain += " " * (len(inside) + 2)  # so that columns of what follows stay true
    marks = parse_steps(plain + rest)
    if not shapes:
        return Steps(marks)
    return Steps(marks, tuple(shapes.get(place) for place in range(len(marks))))


def parse_shape(text: str) -> StepShape:
    """
    What stands in the parentheses behind a hit, in any order, with commas between: ``60%`` how
    likely, ``3x`` repeats, ``level 0.5``, ``gate 2``, ``1 of 4`` or ``1 3 of 4`` the passes.

    Raises:
        ValueError: nothing of these, one twice, or a number outside its range.

    """
    found: dict[str, Any] = {}
    for part in text.split(","):
        said = part.strip()
        new = _shaped(said)
        if new.keys() & found.keys():
            raise ValueError(f"{said!r} says again what stands before it")
        found |= new
    return StepShape(**found)


def _shaped(said: str) -> dict[str, Any]:
    if found := _PERCENT.fullmatch(said):
        return {"chance": _within(float(found[1]), 0, 100, "%") / 100}
    if found := _TIMES.fullmatch(said):
        return {"repeats": int(_within(int(found[1]), 1, 16, "x"))}
    if found := _NAMED.fullmatch(said):
        low, high = (0.0, 1.0) if found[1] == "level" else (0.01, 16.0)
        return {found[1]: _within(float(found[2]), low, high, found[1])}
    if found := _PASSES.fullmatch(said):
        on, of = sorted({int(one) for one in found[1].split()}), int(found[2])
        _within(of, 1, 1024, "passes")
        _within(on[0], 1, of, f"of {of}")
        _within(on[-1], 1, of, f"of {of}")
        return {"on": tuple(on), "of": of}
    raise ValueError(
        f"{said!r} says nothing of a step; write 60%, 3x, level 0.5, gate 2 or 1 of 4, "
        "with commas between"
    )


def _within(value: float, low: float, high: float, what: str) -> float:
    if not low <= value <= high:
        raise ValueError(f"{value:g} {what}: must be from {low:g} to {high:g}")
    return value


def steps_text(marks: tuple[int, ...], shapes: tuple[StepShape | None, ...] = ()) -> str:
    """The step string that reads back as these steps.

    Args:
        marks: one a step: 0 a rest, 1 a hit, 2 an accented hit.
        shapes: what each step has of its own (None: nothing), as many as `marks`; empty: none has.
    """
    if not shapes:
        return "".join(".xX"[mark] for mark in marks)
    text = ""
    for mark, shape in zip(marks, shapes, strict=True):
        own = f"({shape_text(shape)})" if mark and shape is not None else ""
        text += ".xX"[mark] + own
    return text


def shape_text(shape: StepShape) -> str:
    """What stands in the parentheses behind such a hit."""
    said = []
    if shape.chance is not None:
        said.append(f"{shape.chance * 100:.6g}%")
    if shape.repeats is not None:
        said.append(f"{shape.repeats}x")
    if shape.level is not None:
        said.append(f"level {shape.level:g}")
    if shape.gate is not None:
        said.append(f"gate {shape.gate:g}")
    if shape.of:
        said.append(f"{' '.join(map(str, shape.on))} of {shape.of}")
    return ", ".join(said)


@lru_cache(maxsize=4096)
def to_length(marks: tuple[int, ...], length: int) -> tuple[int, ...]:
    """`marks` cut, or repeated from the start, to `length` steps; 0 leaves them as they are."""
    if length == 0 or length == len(marks):
        return marks
    return tuple(marks[step % len(marks)] for step in range(length))


# --- density -----------------------------------------------------------------------------------


def strength(place: int, steps: int) -> int:
    """
    How strong step `place` is among `steps`: ``gcd(place, steps)``, the first step the strongest.

    In 16 steps: 16 1 2 1 4 1 2 1 8 1 2 1 4 1 2 1; in 12: 12 1 2 3 4 1 6 1 4 3 2 1. It orders steps
    as nested equal divisions of the pattern do (common practice, no source).
    """
    return gcd(place, steps)


@lru_cache(maxsize=4096)
def thresholds(marks: tuple[int, ...]) -> tuple[float, ...]:
    """
    For each step the density from which on it sounds.

    At density 0.5 the pattern sounds as written. Below, hits go one by one, the weakest first, so
    that strong positions go last (at 0 nothing is left); above, rests fill one by one, strong
    positions first and the weakest last (at 1 every step sounds). Accented hits count as twice as
    strong. Among equals the golden ratio decides, which keeps the result spread out.
    """
    steps = len(marks)

    def rank(place: int) -> tuple[float, float]:
        return (-strength(place, steps) * max(1, marks[place]), place * _GOLDEN % 1.0)

    result = [0.0] * steps
    hits = sorted((p for p in range(steps) if marks[p]), key=rank)
    rests = sorted((p for p in range(steps) if not marks[p]), key=rank)
    for order, place in enumerate(hits, start=1):
        result[place] = 0.5 * order / len(hits)
    for order, place in enumerate(rests, start=1):
        result[place] = 0.5 + 0.5 * order / len(rests)
    return tuple(result)


def played_order(marks: tuple[int, ...], direction: Direction) -> tuple[int, ...] | None:
    """The marks of one pass in the order they are played; None when chance decides the order."""
    if direction == "forward":
        return marks
    if direction == "backward":
        return marks[::-1]
    if direction == "back-and-forth":
        return marks + marks[-2:0:-1]
    return None


def group_thresholds(
    order: tuple[int, ...] | None, group: int, first: int
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """
    Density for a pattern that is shorter than the bar: thresholds of all `group` steps of a bar, of
    hits and of rests.

    `order` is a pass in the order it is played, its step `first` falls on the first step of the
    bar, and it goes round until the bar is full; so a pattern written once thins as the same
    pattern written out over the bar. Where chance decides the order (None), every step of the bar
    counts as a hit for hits, and as a rest for rests: then the place in the bar alone decides.

    For example `x` in a bar of 16 at density 0.25 is ``x.x.x.x.x.x.x.x.``, at 0.125 ``x...x...``.
    """
    if order is None:
        return thresholds((1,) * group), thresholds((0,) * group)
    limits = thresholds(tuple(order[(first + step) % len(order)] for step in range(group)))
    return limits, limits


# --- order of steps ----------------------------------------------------------------------------


@lru_cache(maxsize=256)
def shuffle(stream: int, pass_index: int, steps: int) -> tuple[int, ...]:
    """
    The order of a pass when shuffled: every step once, and no step twice running where one pass
    follows another (with two steps that leaves only taking turns).
    """
    if steps <= 2:
        return tuple(range(steps))
    order = chance.shuffled(stream, pass_index, steps)
    # The last place of the pass before is safe to read unswapped: only places 0 and 1 ever swap.
    if pass_index > 0 and order[0] == chance.shuffled(stream, pass_index - 1, steps)[-1]:
        order = (order[1], order[0], *order[2:])
    return order


@dataclass(frozen=True, slots=True)
class CursorState:
    """Where a cursor stands: the number of its pass, and of its step in it; the place it is at;
    the pass from which passes are counted; and whether a random walk has begun."""

    pass_index: int = 0
    step: int = -1
    place: int = 0
    base: int = 0
    walking: bool = False


class Cursor:
    """
    Where a lane is in its pattern; shared by lanes of hits and lanes of values.

    ``move(steps)`` goes to the next step of a pattern of `steps` steps and returns its place
    (0..steps-1). After it, `pass_index` is the pass (from 0), `step` the step within the pass, and
    `counted` the pass counted from the last reset by hand. A pass is `steps` steps long, except
    back-and-forth, which goes there and back without playing the ends twice: ``2 * steps - 2``.

    random-walk goes one step up or down, each as likely, and round the ends; shuffle plays every
    step once in each pass, in a new order. Both draw from `stream` (see `chance.key`).
    """

    __slots__ = ("_base", "_walking", "direction", "pass_index", "place", "step", "stream")

    def __init__(self, direction: Direction, stream: int) -> None:
        self.direction = direction
        self.stream = stream
        self.rewind()

    def rewind(self) -> None:
        """Back to before the very first step."""
        self.pass_index = 0
        self.step = -1
        self.place = 0
        self._base = 0
        self._walking = False

    def reset(self, by_hand: bool = False) -> None:
        """
        The next step will be the first of a pass.

        The number of the pass goes on counting, so chance does not repeat itself after every
        reset. By hand, passes (fills, "only on passes k of n") start from 1 again as well.
        """
        if self.step >= 0:
            self.pass_index += 1
            self.step = -1
        self._walking = False
        if by_hand:
            self._base = self.pass_index

    @property
    def counted(self) -> int:
        return self.pass_index - self._base

    @property
    def first_pass(self) -> int:
        """The pass from which passes are counted."""
        return self._base

    def span(self, steps: int) -> int:
        """How many steps a pass of a pattern of `steps` steps has."""
        return 2 * steps - 2 if self.direction == "back-and-forth" and steps > 1 else steps

    def next(self, steps: int) -> tuple[int, int]:
        """The pass and the step that `move` goes to."""
        step = self.step + 1
        return (self.pass_index + 1, 0) if step >= self.span(steps) else (self.pass_index, step)

    def go_on(self, count: int, steps: int) -> None:
        """Do what `count` times `move` does; not where a random walk decides."""
        pass_index, step = self.next(steps)
        passes, step = divmod(step + count - 1, self.span(steps))
        self.pass_index = pass_index + passes
        self.go(step, steps)

    def go_back(self, count: int, last: tuple[int, int], steps: int) -> None:
        """Be `count` steps before a pass and a step; not where a random walk decides."""
        passes, step = divmod(last[1] - count, self.span(steps))
        self.pass_index = last[0] + passes
        self.go(step, steps)

    def move(self, steps: int) -> int:
        direction = self.direction
        span = 2 * steps - 2 if direction == "back-and-forth" and steps > 1 else steps
        step = self.step + 1
        if step >= span:
            step = 0
            self.pass_index += 1
        self.step = step
        if direction == "forward":
            place = step
        elif direction == "backward":
            place = steps - 1 - step
        elif direction == "back-and-forth":
            place = step if step < steps else span - step
        elif direction == "shuffle":
            place = shuffle(self.stream, self.pass_index, steps)[step]
        elif not self._walking:
            self._walking = True
            place = 0
        else:
            up = chance.draw(self.stream, self.pass_index, step) < 0.5
            place = (self.place + (1 if up else -1)) % steps
        self.place = place
        return place

    def place_of(self, step: int, steps: int) -> int:
        """The place of a step in any pass; only where chance does not decide."""
        if self.direction == "backward":
            return steps - 1 - step
        return step if step < steps else 2 * steps - 2 - step

    def go(self, step: int, steps: int) -> int:
        """Be at a step of the present pass, and return its place; not where a random walk
        decides."""
        self.step = step - 1
        return self.move(steps)

    def carry(self) -> CursorState:
        return CursorState(self.pass_index, self.step, self.place, self._base, self._walking)

    def adopt(self, carry: CursorState) -> None:
        self.pass_index = carry.pass_index
        self.step = carry.step
        self.place = carry.place
        self._base = carry.base
        self._walking = carry.walking


# --- drift -------------------------------------------------------------------------------------


class Drift:
    """
    The steps of a pattern that have changed by themselves.

    ``begin_pass``, called at the start of each pass, sends some steps away from what is written and
    brings some of the changed ones back. The more of `bound` is used up, the fewer leave and the
    more return, so a pattern stays near what is written and hardly ever stands at the bound.
    `changed` holds the places that differ.
    """

    __slots__ = ("changed", "stream")

    def __init__(self, stream: int) -> None:
        self.stream = stream
        self.changed: frozenset[int] = frozenset()

    def begin_pass(
        self, pass_index: int, marks: tuple[int, ...], probability: float, bound: int
    ) -> bool:
        """
        Drift once.

        With u the share of the bound that is used up, each changed step returns with probability
        ``max(probability, u)`` and each other one changes with ``probability * (1 - u)``. Of hits
        and rests, the kind that is more frequent changes so much less that as many hits leave as
        come (on average); a pattern all of one kind is not held back.

        Args:
            pass_index: the pass; names the draws.
            marks: what is written, 0 a rest; all of one kind where steps have no kinds.
            probability: 0 to 1.
            bound: most steps that may differ; the surplus returns at once when it has shrunk.

        Returns:
            Whether something changed.
        """
        before = self.changed
        away = sorted(place for place in before if place < len(marks))[:bound]
        used = len(away) / bound if bound else 1.0
        back = max(probability, used)
        drawn_at = chance.draws(self.stream, pass_index, len(marks))
        kept = {place for place in away if drawn_at[place] >= back}

        hits = sum(map(bool, marks))
        fewer = min(hits, len(marks) - hits)
        leave = probability * (1.0 - used)
        rests_leave, hits_leave = (
            leave * fewer / of_its_kind if fewer else leave
            for of_its_kind in (len(marks) - hits, hits)
        )
        leaving: list[tuple[float, int]] = []
        for place, (mark, drawn) in enumerate(zip(marks, drawn_at, strict=True)):
            likely = hits_leave if mark else rests_leave
            if drawn < likely and place not in before:
                leaving.append((drawn / likely, place))
        # Where too many would leave, the luckiest do: no step and no kind has precedence.
        leaving.sort()
        kept |= {place for _, place in leaving[: bound - len(kept)]}
        self.changed = frozenset(kept)
        return self.changed != before

    def clear(self) -> None:
        """Return to what is written."""
        self.changed = frozenset()

    def apply(self, marks: tuple[int, ...]) -> tuple[int, ...]:
        """`marks` with the changed steps turned over: hits become rests, rests become hits."""
        return flipped(marks, self.changed)


def flipped(marks: tuple[int, ...], places: frozenset[int]) -> tuple[int, ...]:
    """`marks` with the steps at some places turned over; places beyond them are none."""
    if not places:
        return marks
    turned = list(marks)
    for place in places:
        if place < len(turned):
            turned[place] = int(not turned[place])
    return tuple(turned)


def filled(marks: tuple[int, ...], ending: tuple[int, ...]) -> tuple[int, ...]:
    """`marks` with its last steps replaced by `ending` (all of it when `ending` is longer)."""
    if len(ending) >= len(marks):
        return ending[: len(marks)]
    return marks[: len(marks) - len(ending)] + ending
