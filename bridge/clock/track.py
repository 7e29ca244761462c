"""One clock's time line: the line through the early edge, and when it no longer holds.

The window behind the line is as long as the tempo is steady, up to ten seconds and more. A change
shows in four ways, and each cuts the window to what came after it:

- *two early stamps* close together, well before the line: jitter cannot do that, so the clock runs
  faster now;
- *a few slightly early stamps* among the last eight: an accelerando too slow for the first rule.
  Over a long window a stamp falls below the line about twice per window length by chance;
- *a run of late stamps*: lateness is usual, but a run in which every stamp is late is not. For
  every length of run there is a lateness that it has by chance once in ten million; it is read
  off the stamps themselves (`spread`), so that a rough link needs more proof than a good one;
- *another beat altogether* is told from outside (`restart`), since it also concerns the count.

When the phase is a new one and the tempo likely the same (a clock that comes back, a Start), the
line begins anew with the old tempo as a hint that fades as the window grows: the first stamps say
little about a tempo, but much about a phase.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import replace

from bridge.clock.envelope import Envelope, Line, Point
from bridge.clock.jitter import Spread

SHORTEST_NS = 5_900_000
"""Period at 424 bpm: whatever comes quicker is not believed to be one clock."""
LONGEST_NS = 170_000_000
"""Period at 14.7 bpm."""
FLOOR_NS = 100_000
"""Differences below this are never taken for a change: no link is better, and no ear hears it."""

BUNCH = 1 / 4
"""Of the period: clocks that come closer together were owed, and say nothing about the tempo."""

_CHANCE = 1e-7
_RUNS = (3, 4, 5, 6, 7, 8, 10, 12, 16, 24, 32, 48)
_LEVELS = tuple((run, 1 - _CHANCE ** (1 / run)) for run in _RUNS)
_EARLY = 0.35  # of the spread: an early stamp that counts for the pair
_CREEP = 0.1
_CREEP_NS = 20_000
_CREEP_COUNT = 3
_CREEP_AMONG = 8
_HINT = 6.0  # how much the tempo before weighs, in clocks x stamps
_HINT_ENDS = 48  # stamps in the window after which it is forgotten
_SAMPLE_BACK = 16  # how far behind the newest stamp the spread is sampled


class Track:
    """The line through one clock's early edge.

    `line` predicts; `spread` tells how late stamps are. Indices are the follower's own count.
    """

    def __init__(self) -> None:
        self.spread = Spread()
        self.line = Line(0, 0.0, 0.0)
        self.window = Envelope()
        self._hint = 0.0
        self._early: deque[tuple[int, Line]] = deque(maxlen=2)  # and the line before it
        self._creep: deque[int] = deque(maxlen=_CREEP_COUNT)
        self._judged: deque[Point] = deque(maxlen=64)
        self._last_ns = 0

    def __len__(self) -> int:
        return len(self.window)

    def restart(self, points: Iterable[Point], hint: float = 0.0) -> None:
        """Begins anew with these stamps. `hint` is a period in ns that fades, 0 for none."""
        self._cut(points)
        self._judged.clear()
        self._judged.extend(self.window.points)
        self._hint = hint
        self._fit()

    def add(self, index: int, ns: int, *, firm: bool = True) -> None:
        """Takes the stamp of clock `index`, which is above all before. While it is not `firm`, no
        other tempo is looked for: the first stamps of a clock may be anything."""
        late = ns - self.line.at(index)
        self.window.add(index, ns)
        since, self._last_ns = ns - self._last_ns, ns
        bunch = since < self.line.period / 2
        if not bunch or late < self.spread.worst + FLOOR_NS:
            self._judged.append((index, ns))
        if not firm:
            self._fit()
            self._sample()
            return
        usual = self.spread.quantile(0.68)
        if since > BUNCH * self.line.period:  # a pause bends the line, and its bunch mends that
            self._quicker(index, late, usual)
        self._fit()
        if not bunch:
            self._slower()
        self._sample()

    def _quicker(self, index: int, late: float, usual: int) -> None:
        """Cuts the window where early stamps show a quicker clock."""
        if late < -(_EARLY * usual + FLOOR_NS):
            self._faster(index)
        if late < -(_CREEP * usual + _CREEP_NS) and len(self.window) >= 24:
            self._creeping(index)

    def _cut(self, points: Iterable[Point]) -> None:
        self._hint = 0.0
        self._early.clear()
        self._creep.clear()
        self.window.refill(points)
        first = self.window.points[0][0]
        while self._judged and self._judged[0][0] < first:
            self._judged.popleft()

    def _fit(self) -> None:
        count = len(self.window)
        if count < 2:
            index, ns = self.window.points[0]
            self.line = Line(index, ns, self._hint or self.line.period)
            return
        if self._hint and count < _HINT_ENDS:
            line = self.window.line_near(self._hint, _HINT / count)
        else:
            self._hint = 0.0
            line = self.window.line()
        self.line = replace(line, period=max(SHORTEST_NS, min(LONGEST_NS, line.period)))

    def _faster(self, index: int) -> None:
        self._early.append((index, self.line))
        first, line = self._early[0]
        if len(self._early) < 2 or index - first > 2:
            return
        # The new line leaves the old one at the last clock that was in time.
        knee = (first - 1, round(line.at(first - 1)))
        self._cut([knee, *(point for point in self.window.points if point[0] >= first)])

    def _creeping(self, index: int) -> None:
        self._creep.append(index)
        if len(self._creep) < _CREEP_COUNT or index - self._creep[0] >= _CREEP_AMONG:
            return
        half = max(12, len(self.window) // 2)
        self._cut(list(self.window.points)[-half:])

    def _slower(self) -> None:
        """Cuts the window where a run of stamps is later than chance allows. A bunch does not
        count: whoever sends one has stood still, and its last stamp is in time again."""
        points = self._judged
        line = self.line
        lowest = float("inf")
        least = self.spread.quantile(_LEVELS[-1][1]) + FLOOR_NS  # that any run must be late by
        at = 1
        for run, level in _LEVELS:
            if run > min(len(self.window), len(points)) - 3:
                break
            while at <= run:
                where, ns = points[-at]
                lowest = min(lowest, ns - line.at(where))
                if lowest <= least:
                    return
                at += 1
            bound = self.spread.quantile(level) if run > 3 else self.spread.worst * 1.25
            if lowest > bound + FLOOR_NS:
                since = points[-run][0]
                self._cut([point for point in self.window.points if point[0] >= since])
                self._fit()
                return

    def _sample(self) -> None:
        """Takes the lateness of an older stamp for the spread: the line is settled there."""
        if len(self.window) < 2 * _SAMPLE_BACK or len(self._judged) < _SAMPLE_BACK:
            return
        where, ns = self._judged[-_SAMPLE_BACK]
        late = ns - self.line.at(where)
        if late < self.line.period:  # else the sender stood still
            self.spread.add(late)
