"""Logic on gates worked out a second time, from what the manual says and by other means.

Every signal is an array over all ticks, as written (row 0) and as heard with the mutes (row 1); its
first place is what was before the beginning. Functions look for rising edges in these arrays; what
decides about a gate at its rising edge decides about all of it. Trees are those of `logic_oracle`.
"""

from __future__ import annotations

import numpy as np
from support.logic_oracle import Tree, ticks_of

Signals = tuple[np.ndarray, np.ndarray]  # high or low in two rows; accent of what is heard


def rises(high: np.ndarray) -> np.ndarray:
    """Where a row rises; what was before the beginning is a level and no edge."""
    edge = np.zeros_like(high)
    edge[1:] = high[1:] & ~high[:-1]
    return edge


def falls(high: np.ndarray) -> np.ndarray:
    return rises(~high)


class GatesOracle:
    """`lanes` has for each name its gates as (tick, length, accent), `muted` those that are out."""

    def __init__(
        self, lanes: dict[str, list[tuple[int, int, float]]], muted: frozenset[str], span: int
    ) -> None:
        self.lanes, self.muted, self.span = lanes, muted, span

    def hits(self, tree: Tree, tap: str) -> list[tuple[int, int, float]]:
        """(tick, length, accent) of what is heard and ends within the span."""
        high, accent = self.signal(tree, tap == "before-mute")
        starts = np.flatnonzero(rises(high[1]))
        ends = np.flatnonzero(falls(high[1]))
        found = [(int(start), ends[ends > start][:1]) for start in starts]
        return [
            (start - 1, int(end[0]) - start, float(accent[start]))
            for start, end in found
            if len(end)
        ]

    def signal(self, tree: Tree, before: bool) -> Signals:
        op, *rest = tree
        if op in ("before-mute", "after-mute"):
            return self.signal(rest[0], op == "before-mute")
        if op == "lane":
            return self._lane(rest[0], before)
        parts = [self.signal(part, before) for part in rest if isinstance(part, tuple)]
        numbers = [part for part in rest if not isinstance(part, tuple)]
        if op == "delay":
            return self._delayed(*parts[0], ticks_of(numbers[0]))
        rows = np.array([high for high, _ in parts])
        accent = np.max([strength for _, strength in parts], axis=0)
        count = rows.sum(axis=0)
        if op in ("first", "between"):
            accent = parts[0][1]
        match op:
            case "not":
                high, accent = ~rows[0], np.zeros(self.span + 1)
            case "and":
                high = rows.all(axis=0)
            case "or":
                high = rows.any(axis=0)
            case "xor":
                high = count % 2 == 1
            case "at-least":
                high = count >= numbers[0]
            case "exactly":
                high = count == numbers[0]
            case _:
                made = getattr(self, f"_{op}")
                high = np.array(made(rows, *numbers))
        return high, np.where(high[1], accent, 0.0)

    def _lane(self, name: str, before: bool) -> Signals:
        high = np.zeros((2, self.span + 1), dtype=bool)
        accent = np.zeros(self.span + 1)
        for tick, length, strength in self.lanes[name]:
            high[0, tick + 1 : tick + 1 + length] = True
            accent[tick + 1 : tick + 1 + length] = strength
        if before or name not in self.muted:
            high[1] = high[0]
        return high, np.where(high[1], accent, 0.0)

    def _delayed(self, high: np.ndarray, accent: np.ndarray, later: int) -> Signals:
        moved, strength = np.empty_like(high), np.zeros_like(accent)
        moved[:, :later] = high[:, :1]
        moved[:, later:] = high[:, : self.span + 1 - later]
        strength[later:] = accent[: self.span + 1 - later]
        return moved, strength

    def _whole(self, high: np.ndarray, chosen: np.ndarray) -> np.ndarray:
        """The gates of a row that rise at the chosen ticks."""
        out = np.zeros_like(high)
        low = np.flatnonzero(~high)
        for start in np.flatnonzero(chosen):
            end = low[np.searchsorted(low, start) :][:1]
            out[start : int(end[0]) if len(end) else len(high)] = True
        return out

    def _nth(self, rows: np.ndarray, every: int, which: int | None = None) -> list[np.ndarray]:
        written, heard = rows[0]
        chosen = np.zeros_like(written)
        chosen[np.flatnonzero(rises(written))[(which or every) - 1 :: every]] = True
        return [self._whole(written, chosen), self._whole(heard, chosen & rises(heard))]

    def _toggle(self, rows: np.ndarray) -> list[np.ndarray]:
        on = np.cumsum(rises(rows[0, 0])) % 2 == 1
        return [on, on]

    def _first(self, rows: np.ndarray) -> list[np.ndarray]:
        out = []
        for row in (0, 1):
            chosen = np.zeros(self.span + 1, dtype=bool)
            armed = True
            up, other = rises(rows[0, row]), rises(rows[1, row])
            for tick in np.flatnonzero(up | other):
                armed = armed or bool(other[tick])
                if armed and up[tick]:
                    chosen[tick], armed = True, False
            out.append(self._whole(rows[0, row], chosen))
        return out

    def _extend(self, rows: np.ndarray, time: str) -> list[np.ndarray]:
        out = np.zeros_like(rows[0])
        for row in (0, 1):
            for tick in np.flatnonzero(rises(rows[0, row])):
                out[row, tick : tick + ticks_of(time)] = True
        return list(out)

    def _between(self, rows: np.ndarray) -> list[np.ndarray]:
        out = []
        for row in (0, 1):
            on, off = rows[0, row], rows[1, row]
            said = np.where(off, 0, np.where(on, 1, -1))
            last = np.maximum.accumulate(np.where(said >= 0, np.arange(self.span + 1), -1))
            out.append((last >= 0) & (said[np.maximum(last, 0)] == 1))
        return out

    def _edge(self, rows: np.ndarray, time: str | None = None) -> list[np.ndarray]:
        out = []
        for high in rows[0]:
            down = np.flatnonzero(falls(high))
            chosen = np.zeros_like(high)
            for tick in np.flatnonzero(rises(high)):
                since = down[down < tick][-1:]
                chosen[tick] = not len(since) or tick - since[0] >= (ticks_of(time) if time else 0)
            out.append(self._whole(high, chosen))
        return out

    def _gap(self, rows: np.ndarray, time: str) -> list[np.ndarray]:
        length = ticks_of(time)
        out = []
        for high in rows[0]:
            gap = np.zeros_like(high)
            # The beginning counts as the end of a gate.
            for tick in [1, *np.flatnonzero(falls(high))]:
                up = np.flatnonzero(high[tick:])[:1]
                gap[tick + length : tick + int(up[0]) if len(up) else None] = True
            out.append(gap)
        return out
