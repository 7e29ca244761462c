"""Logic on steps worked out a second time, from what the manual says and by other means.

The program looks at an expression tick by tick and only where something happens. Here every
expression becomes whole arrays over all ticks of the span at once. An expression is nested tuples,
``("and", left, right)``, ``("delay", part, "1/8")``, ``("lane", "kick")``, so that no parser is
shared either; `text_of` writes it as the set file has it.

Rules (manual, Logic): hits are true at single ticks, states at every tick. Operators compare tick
by tick. Functions take hits; a state hits at the lane's own steps where it is true, and where a hit
in it falls while it is true. What lets a hit through, or delays it, keeps its accent; of several
accents the strongest holds. nth and toggle count hits as written, the others what is heard.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import Any

import numpy as np

Tree = tuple[Any, ...]
WHOLE = 3840
_OPERATORS = ("and", "or", "xor")


@dataclass
class Signal:
    """One expression over all ticks, as written (row 0) and as heard with the mutes (row 1).

    `true` and `falls` (a hit in it falls here) are two rows; `accent` is that of what is heard.
    """

    true: np.ndarray
    falls: np.ndarray
    accent: np.ndarray
    state: bool

    def hits(self, grid: np.ndarray) -> np.ndarray:
        return self.true & (grid | self.falls) if self.state else self.true


def text_of(tree: Tree) -> str:
    """The expression as a set file has it."""
    op, *parts = tree
    if op == "lane":
        return str(parts[0])
    if op == "not":
        return f"not ({text_of(parts[0])})"
    if op in _OPERATORS:
        return "(" + f" {op} ".join(text_of(part) for part in parts) + ")"
    said = [text_of(part) if isinstance(part, tuple) else str(part) for part in parts]
    return f"{op}({', '.join(said)})"


def ticks_of(time: str) -> int:
    upper, lower = time.rstrip("T.").split("/")
    factor = Fraction(2, 3) if time.endswith("T") else Fraction(3, 2) if time.endswith(".") else 1
    return int(Fraction(WHOLE * int(upper), int(lower)) * factor)


class Oracle:
    """What expressions mean over `span` ticks, for lanes of given hits.

    `lanes` has for each name {tick: accent}, accents 0, 0.5 or 1; `muted` the names that are out;
    `step` is the length of the steps of the lane that the expression is written on.
    """

    def __init__(
        self,
        lanes: dict[str, dict[int, float]],
        muted: frozenset[str],
        step: Fraction,
        span: int,
        resets: tuple[int, ...] = (),
    ) -> None:
        self.lanes, self.muted, self.span = lanes, muted, span
        self.step = step
        self.grid = np.zeros(span, dtype=bool)
        index = 0
        while (tick := int(index * step + Fraction(1, 2))) < span:
            self.grid[tick] = True
            index += 1
        # A reset sets every memory back; what follows knows nothing of what was before.
        self.starts = sorted({0, *resets})

    def hits(self, tree: Tree, tap: str = "after-mute") -> dict[int, float]:
        """The ticks at which a lane with this expression is heard, with their accents."""
        signal = self.signal(tree, tap == "before-mute")
        heard = signal.hits(self.grid)[1]
        return {int(tick): float(signal.accent[tick]) for tick in np.flatnonzero(heard)}

    def signal(self, tree: Tree, before: bool) -> Signal:
        op, *rest = tree
        if op in ("before-mute", "after-mute"):
            return self.signal(rest[0], op == "before-mute")
        if op == "lane":
            return self._lane(rest[0], before)
        parts = [self.signal(part, before) for part in rest if isinstance(part, tuple)]
        numbers = [part for part in rest if not isinstance(part, tuple)]
        if op in (*_OPERATORS, "not", "at-least", "exactly"):
            return self._compared(op, parts, numbers)
        given = [(part.hits(self.grid), part.accent) for part in parts]
        made = getattr(self, "_" + op.replace("-", "_"))(given, *numbers)
        return made if isinstance(made, Signal) else self._of_hits(*made)

    # --- what is compared tick by tick ---

    def _lane(self, name: str, before: bool) -> Signal:
        true = np.zeros((2, self.span), dtype=bool)
        accent = np.zeros(self.span)
        for tick, strength in self.lanes[name].items():
            if tick >= self.span:
                continue
            true[0, tick] = True
            if before or name not in self.muted:
                true[1, tick] = True
                accent[tick] = strength
        return Signal(true, true, accent, False)

    def _compared(self, op: str, parts: list[Signal], numbers: list[Any]) -> Signal:
        rows = np.array([part.true for part in parts])
        count = rows.sum(axis=0)
        states = sum(part.state for part in parts)
        falls = np.logical_or.reduce([part.falls for part in parts])
        accent = np.max([part.accent for part in parts], axis=0)
        if op == "not":
            true, state, accent = ~rows[0], True, np.zeros(self.span)
        elif op == "and":
            true, state = rows.all(axis=0), states == len(parts)
        elif op == "or":
            true, state = rows.any(axis=0), states > 0
        elif op == "xor":
            true, state = count % 2 == 1, states > 0
        else:
            enough = count >= int(numbers[0]) if op == "at-least" else count == int(numbers[0])
            true, state = enough, states >= int(numbers[0])
        return Signal(true, falls if state else true, np.where(true[1], accent, 0.0), state)

    # --- functions of hits: (hits, accents) in; hits and accents, or a state, out ---

    def _of_hits(self, true: np.ndarray, accent: np.ndarray) -> Signal:
        return Signal(true, true, np.where(true[1], accent, 0.0), False)

    def _as_state(self, true: np.ndarray, falls: np.ndarray, accent: np.ndarray) -> Signal:
        return Signal(true, falls, np.where(true[1], accent, 0.0), True)

    def _stretches(self) -> list[tuple[int, int]]:
        return list(zip(self.starts, [*self.starts[1:], self.span], strict=True))

    def _nth(self, given: list[Any], every: int, which: int | None = None) -> Any:
        ((hits, accent),) = given
        out = np.zeros_like(hits)
        for start, end in self._stretches():
            ticks = start + np.flatnonzero(hits[0, start:end])
            out[:, ticks[(which or every) - 1 :: every]] = True
        return out & hits, accent

    def _toggle(self, given: list[Any]) -> Any:
        ((hits, accent),) = given
        true = np.zeros_like(hits)
        for start, end in self._stretches():
            true[:, start:end] = np.cumsum(hits[0, start:end]) % 2 == 1
        return self._as_state(true, hits, np.where(hits[1], accent, 0.0))

    def _first(self, given: list[Any]) -> Any:
        (a, accent), (b, _) = given
        out = np.zeros_like(a)
        for row in (0, 1):
            for start, end in self._stretches():
                marks = [start, *(start + np.flatnonzero(b[row, start:end])), end]
                for since, until in pairwise(marks):
                    out[row, since + np.flatnonzero(a[row, since:until])[:1]] = True
        return out, accent

    def _delay(self, given: list[Any], time: str) -> Any:
        ((hits, accent),) = given
        later = ticks_of(time)
        out, moved = np.zeros_like(hits), np.zeros(self.span)
        for start, end in self._stretches():
            out[:, start + later : end] = hits[:, start : max(start, end - later)]
            moved[start + later : end] = accent[start : max(start, end - later)]
        return out, moved

    def _extend(self, given: list[Any], time: str) -> Any:
        ((hits, accent),) = given
        length = ticks_of(time)
        true = np.zeros_like(hits)
        for row in (0, 1):
            for start, end in self._stretches():
                for tick in start + np.flatnonzero(hits[row, start:end]):
                    true[row, tick : min(end, tick + length)] = True
        return self._as_state(true, hits, np.where(hits[1], accent, 0.0))

    def _between(self, given: list[Any]) -> Any:
        (on, accent), (off, _) = given
        true = np.zeros_like(on)
        for row in (0, 1):
            for start, end in self._stretches():
                state = False
                changes = start + np.flatnonzero((on | off)[row, start:end])
                for tick, until in pairwise([*changes, end]):
                    state = not off[row, tick] and bool(state or on[row, tick])
                    true[row, tick:until] = state
        return self._as_state(true, on | off, np.where(on[1], accent, 0.0))

    def _edge(self, given: list[Any], time: str | None = None) -> Any:
        ((hits, accent),) = given
        silence = self.step if time is None else ticks_of(time)
        out = np.zeros_like(hits)
        for row in (0, 1):
            for start, end in self._stretches():
                last = None
                for tick in start + np.flatnonzero(hits[row, start:end]):
                    # Steps are rounded to whole ticks: one tick more is still the same step.
                    out[row, tick] = last is None or tick - last > silence + 1
                    last = tick
        return out, accent

    def _gap(self, given: list[Any], time: str) -> Any:
        ((hits, _),) = given
        length = ticks_of(time)
        out = np.zeros_like(hits)
        for row in (0, 1):
            for start, end in self._stretches():
                ticks = [start, *(start + np.flatnonzero(hits[row, start:end])), end]
                for since, until in pairwise(ticks):
                    if since + length < until:
                        out[row, since + length] = True
        return out, np.zeros(self.span)
