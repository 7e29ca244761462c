"""One clock's time line where its stamps come in audio blocks.

A clock waits for the edge of its block: its stamp is late by anything from nothing to one block,
and never by more unless the sender stood still. So each stamp says two hard things: the clock fell
before it, and not more than one block before it. The lines that satisfy all stamps of a window
form a small polygon, and everything that can be known is in it. The line taken lies halfway between
the one furthest from all that is impossible (the middle of the widest strip between an upper and a
lower hull: the line of least greatest error) and the middle of the earliest and the latest line;
where a whole tempo is nearly as likely, that one. With most tempos it is within a fraction of a
millisecond after a few seconds. Half a block, by which stamps are late on average, is taken out.

Where the period is nearly a whole number of blocks, or a simple fraction of one, stamps fall on
few places in their blocks, and the phase between these cannot be known before their slow beat has
gone round. Until then the line is never further than half a block from anything possible.

When no line satisfies a new stamp, the tempo has changed:

- *too early* proves it at once. The window is cut to the longest end that one line satisfies;
- *too late* may be a sender that stood still. Then the clocks it owes come in one bunch and the
  last of them is in time. Only lateness that stays from block to block is a slower clock.

Both are forgiven once in a while where a single block before it explains them, which was late after
all: while much is possible, nobody notices that.

Whatever is found, the line that is played moves there by a small step at each clock: never a jump.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Iterable
from itertools import islice
from typing import NamedTuple

from bridge.clock.envelope import Envelope, Line, Point, push
from bridge.clock.reading import bpm_of
from bridge.clock.tempo import clock_ns
from bridge.clock.track import LONGEST_NS, SHORTEST_NS

POINTS_MOST = 1024
"""Stamps in the window."""
_SPARE = 128  # that are dropped at once
_STEP = 1 / 16  # of a period: how far the played line moves at one clock
_CHUNK = 4  # stamps that are taken or left together when a window is cut
_LATE_BLOCKS = 2
_YOUNG = 0.03  # of the period: while it is less sure than that, the tempo before is a guide
_EDGE_NS = 1000
_REFILL = 128
_STOOD_NS = 500_000
_FORGIVE = 96  # clocks between two blocks that are found out to be late
_FADE = 0.9
_MISFIT = 1.5
_BEYOND_NS = 1_000_000
_SINCE = 6  # blocks
_WHOLE_BPM = 0.5  # the tempo is known this closely: one whole number at most is possible
_LIKELY = 0.5  # of the widest room: less room makes a whole tempo unlikely, too
_GUESS_NS = 20_000_000


class _Room(NamedTuple):
    """The room between a point of the roof and one of the floor (which is upside down)."""

    above: Point
    below: Point

    @property
    def base(self) -> int:
        return self.above[1] + self.below[1]

    @property
    def grows(self) -> int:
        """In ns for each ns of period."""
        return self.below[0] - self.above[0]

    def at(self, slope: float) -> float:
        """In ns, for lines of this period."""
        return self.base + self.grows * slope


class Hulls:
    """The two hulls between which a line must lie: below all points of `roof`, above all of
    `floor` (kept upside down, so that both are lower hulls)."""

    def __init__(self) -> None:
        self.roof: list[Point] = []
        self.floor: list[Point] = []

    def add(self, index: int, latest: int, earliest: int | None) -> None:
        """The line must pass `index` between these two times. Indices rise."""
        push(self.roof, (index, latest))
        if earliest is not None:
            push(self.floor, (index, -earliest))

    def copy(self) -> Hulls:
        """Another one with the same points."""
        made = Hulls()
        made.join(self)
        return made

    def join(self, later: Hulls) -> None:
        """Adds all points of hulls whose indices are above these."""
        for point in later.roof:
            push(self.roof, point)
        for point in later.floor:
            push(self.floor, point)

    def extremes(self, low: float, high: float) -> tuple[Line, Line] | None:
        """The flattest and the steepest line of all with a period from `low` to `high` ns; None
        where there is none."""
        flat = self._touching(low, flattest=True)
        steep = self._touching(high, flattest=False) if flat else None
        return (flat, steep) if flat and steep and flat.period <= steep.period else None

    def middle(self, low: float, high: float) -> Line | None:
        """The line in the middle of the widest strip that fits between the hulls: the one furthest
        from all that is impossible. Its period lies between those of the two extremes; None while
        one hull is empty."""
        if not self.floor:
            return None
        rising, falling = self._room(low), self._room(high)
        slope = (low + high) / 2
        for _ in range(20):
            if rising.grows <= falling.grows:
                break
            slope = (falling.base - rising.base) / (rising.grows - falling.grows)
            slope = min(max(slope, low), high)
            room = self._room(slope)
            if room.at(slope) >= rising.at(slope) - 1:
                break
            if room.grows > 0:
                rising = room
            else:
                falling = room
        return self.along(slope)

    def along(self, slope: float) -> Line:
        """The line of this period in the middle of its room. There must be a floor."""
        room = self._room(slope)
        x, y = room.above
        u, v = room.below
        return Line(x, (y - v + (x - u) * slope) / 2, slope)

    def room(self, slope: float) -> float:
        """How far the lines of this period can be moved, in ns. There must be a floor."""
        return self._room(slope).at(slope)

    def _room(self, slope: float) -> _Room:
        """How much room lines of this slope have, and how that grows with the slope."""
        above = min(self.roof, key=lambda point: point[1] - slope * point[0])
        below = min(self.floor, key=lambda point: point[1] + slope * point[0])
        return _Room(above, below)

    def _touching(self, slope: float, *, flattest: bool) -> Line | None:
        """From too flat (or too steep) to the first slope with room. The room is a concave function
        of the slope, so Newton's way leads there without passing it."""
        x = y = 0
        for _ in range(40):
            x, y = min(self.roof, key=lambda point: point[1] - slope * point[0])
            if not self.floor:
                break
            u, v = min(self.floor, key=lambda point: point[1] + slope * point[0])
            if y - slope * x >= -v - slope * u - 1:
                break
            if u == x or (u < x) is flattest:
                return None
            slope = (y + v) / (x - u)
        return Line(x, y, slope)


class Strip:
    """The line through one clock whose stamps come in blocks of `width` ns.

    `line` predicts. Indices are the follower's own count.
    """

    def __init__(self, width: float) -> None:
        self.width = width
        self.line = Line(0, 0.0, 0.0)
        self.sure = False
        self.points: deque[tuple[int, int, bool]] = deque()  # and whether it was in time
        self._hulls = Hulls()
        self._parts: deque[Hulls] = deque()  # of the window, `_SPARE` stamps each
        self._part = Hulls()  # the newest, not full yet
        self._in_part = 0
        self._flat = self._steep = self.line
        self._centre = self.line
        self._hint = 0.0
        self._late_blocks = 0
        self._stood = False  # before the newest block
        self._block_ns = 0  # first stamp of the newest block
        self._in_block = 0  # stamps in the newest block
        self._misfit = 0.0  # late blocks, the older ones fading
        self._in_time = True  # the newest stamp
        self._forgiven = -_FORGIVE  # the clock at which a late block was found out

    def __len__(self) -> int:
        return len(self.points)

    def restart(self, points: Iterable[Point], hint: float = 0.0) -> None:
        """Begins anew with these stamps. `hint` is a period in ns, 0 for none."""
        kept = list(points)
        self._hint = hint
        self._late_blocks = 0
        self._misfit = 0.0
        self._in_time = True
        self._block_ns = kept[-1][1]
        self.points = deque((index, ns, True) for index, ns in kept)
        self._cut()
        self.line = self._middle()

    def refill(self, points: Iterable[Point], played: Line | None) -> None:
        """Begins with these stamps, of which some may be very late, and moves from the line that
        is `played` by small steps; None: at once."""
        kept = list(points)[-_REFILL:]
        window = Envelope(most=_REFILL + 1, block=_REFILL + 1)
        window.refill(kept)
        self.restart(kept)
        lines = [self.line]  # of the newest end; of the early edge where a pause is in that
        if len(kept) > 1:
            edges = (window.line(where) for where in (0.5, 0.8))
            lines += [edge for edge in edges if edge.period > SHORTEST_NS]
        line = max(lines, key=lambda line: self._near(kept, line))
        for width in (1.5 * self.width, 1.1 * self.width):
            self.points = deque(self._flagged(kept, line, width))
            self._cut()
            line = self.line = self._middle()
        if played:
            self.line = played
            self._move()

    def _near(self, points: list[Point], line: Line) -> int:
        """How many of the points lie along a line."""
        low, high = -self.width / 2, 1.5 * self.width
        return sum(low <= ns - line.at(index) < high for index, ns in points)

    def _flagged(
        self, points: list[Point], line: Line, width: float
    ) -> Iterable[tuple[int, int, bool]]:
        """The points, and for each whether it is at most a block late."""
        stood = False
        before = points[0][1]
        for index, ns in points:
            if ns - before > self.width / 2:
                stood = ns - before > self._longest(line.period)
            before = ns
            yield index, ns, not stood and ns - line.at(index) < width

    def add(self, index: int, ns: int) -> None:
        """Takes the stamp of clock `index`, which is above all before."""
        if ns - self._block_ns > self.width / 2:
            bunch = self._stood and self._in_block > 1
            self._late_blocks = 0 if self._in_time or bunch else self._late_blocks + 1
            pace = self._stood and self._in_block == 1  # twice in a row it is a slower clock
            self._stood = not pace and ns - self.points[-1][1] > self._longest(self.line.period)
            self._block_ns = ns
            self._in_block = 0
            beyond = ns - self.width - self._steep.at(index)
            misfits = beyond > _BEYOND_NS and not self._stood
            self._misfit = self._misfit * _FADE + misfits
        self._in_block += 1
        earliest = round(ns - self.width)
        self._in_time = earliest <= self._steep.at(index) + _EDGE_NS
        bounds = self._in_time and not self._stood
        self.points.append((index, ns, bounds))
        slower = self._late_blocks >= _LATE_BLOCKS or self._misfit > _MISFIT
        if not self._in_time and slower and not self._forgives(index, ns, self._steep):
            self._slower()
        elif ns < self._flat.at(index) - _EDGE_NS and not self._forgives(index, ns, self._flat):
            self._hint = 0.0
            self._cut()
        else:
            self._bind(index, ns, earliest if bounds else None)
            if ns < self._steep.at(index) or (bounds and earliest > self._flat.at(index)):
                self._measure()
        self._drop()
        self._move()

    def _longest(self, period: float) -> float:
        """The longest time from one stamp to the next in another block, unless the sender stood
        still: then what comes at once may be later than a block."""
        return period + self.width + _STOOD_NS

    def _slower(self) -> None:
        """A slower tempo began in the last few blocks: they bound the line now."""
        since = self._block_ns - _SINCE * (self.width + self.line.period)
        self.points = deque((i, ns, ok or ns >= since) for i, ns, ok in self.points)
        self._late_blocks = 0
        self._misfit = 0.0
        self._in_time = True
        self._hint = 0.0
        self._cut()

    def _measure(self) -> None:
        found = self._hulls.extremes(SHORTEST_NS, LONGEST_NS)
        if found is None:
            self._cut()
        else:
            self._bound(*found)

    def _bound(self, flat: Line, steep: Line) -> None:
        """These are the extremes now. In between, a whole tempo is likelier than any other."""
        self._flat, self._steep = flat, steep
        low, high = flat.period, steep.period
        index = self.points[-1][0]
        mean = Line(index, (flat.at(index) + steep.at(index)) / 2, (low + high) / 2)
        widest = self._hulls.middle(low, high) or mean
        # Halfway between the middle of the widest strip and that of the extremes: each is further
        # off now and then, where the other one is near.
        period = (widest.period + mean.period) / 2
        self._centre = Line(index, (widest.at(index) + mean.ns) / 2, period)
        self.sure = high - low < _YOUNG * mean.period
        if not self._hulls.floor:
            return
        whole = clock_ns(max(1, round(bpm_of(self._centre.period))))
        if self._hint and not self.sure:
            self._centre = self._hulls.along(min(max(self._hint, low), high))
        elif low <= whole <= high and bpm_of(low) - bpm_of(high) < _WHOLE_BPM:
            room = self._hulls.room(self._centre.period)
            if self._hulls.room(whole) > _LIKELY * room:
                self._centre = self._hulls.along(whole)

    def _cut(self) -> None:
        """Keeps the longest end of the window that one line satisfies."""
        fits = self._newest_that_fit()
        while len(self.points) > fits:
            self.points.popleft()
        self._hulls = Hulls()
        self._parts.clear()
        self._part, self._in_part = Hulls(), 0
        for index, ns, ok in self.points:
            self._bind(index, ns, round(ns - self.width) if ok else None)
        found = self._hulls.extremes(SHORTEST_NS, LONGEST_NS)
        if found is None or fits == 1:
            index, ns, _ = self.points[-1]
            period = self._hint or self.line.period or _GUESS_NS
            period = min(max(period, SHORTEST_NS), LONGEST_NS)
            found = Line(index, ns - self.width, period), Line(index, ns, period)
        self._bound(*found)

    def _forgives(self, index: int, ns: int, bound: Line) -> bool:
        """Whether a stamp is beyond `bound` (one of the extremes) only because one block before it
        was late, unnoticed while so much was possible. That block bounds nothing then, and all
        else is kept."""
        if index - self._forgiven < _FORGIVE or not self._hulls.floor:
            return False
        points = self.points
        _, below = min(self._hulls.floor, key=lambda point: point[1] + bound.at(point[0]))
        since, until = self.width / 2 - below, self.width * 3 / 2 - below
        block = [n for n, point in enumerate(points) if since < point[1] < until]
        before = [points[n] for n in block]
        for n in block:
            points[n] = (*points[n][:2], False)
        self._join(anew={n // _SPARE for n in block})
        found = self._hulls.extremes(SHORTEST_NS, LONGEST_NS)
        if (
            found is None
            or ns < found[0].at(index) - _EDGE_NS
            or ns > found[1].at(index) + self.width + _EDGE_NS
        ):
            for n, point in zip(block, before, strict=True):
                points[n] = point
            return False
        self._forgiven = index
        self._late_blocks = 0
        self._misfit = 0.0
        self._in_time = True
        self._bound(*found)
        return True

    def _newest_that_fit(self) -> int:
        """How many of the newest stamps one line satisfies. Looks back by ever longer steps, and
        from the first that is too long by ever shorter ones."""
        back = list(reversed(self.points))
        fits, step, longer = 0, _CHUNK, True
        good = Hulls()  # from the newest stamp backwards
        while fits < len(back):
            tried = good.copy()
            for index, ns, ok in back[fits : fits + step]:
                tried.add(-index, ns, round(ns - self.width) if ok else None)
            if tried.extremes(-LONGEST_NS, -SHORTEST_NS):
                good = tried
                fits = min(len(back), fits + step)
                step = 2 * step if longer else step
            elif step > _CHUNK:
                step, longer = step // 2, False
            else:
                break
        return max(fits, 1)

    def _bind(self, index: int, latest: int, earliest: int | None) -> None:
        """Each part of the window keeps hulls of its own: to drop the oldest costs little then."""
        self._hulls.add(index, latest, earliest)
        self._part.add(index, latest, earliest)
        self._in_part += 1
        if self._in_part == _SPARE:
            self._parts.append(self._part)
            self._part, self._in_part = Hulls(), 0

    def _drop(self) -> None:
        """Forgets the oldest part of a window that has grown too long. What was possible still is,
        and a little more."""
        if len(self.points) <= POINTS_MOST + _SPARE:
            return
        self._parts.popleft()
        for _ in range(_SPARE):
            self.points.popleft()
        self._join()
        self._measure()

    def _join(self, anew: Collection[int] = ()) -> None:
        """The hulls of the window, of those of its parts; those numbered in `anew` are made of the
        stamps first, without the newest one."""
        parts = [*self._parts, self._part]
        for number in anew:
            parts[number] = part = Hulls()
            since, until = number * _SPARE, min((number + 1) * _SPARE, len(self.points) - 1)
            for index, ns, ok in islice(self.points, since, until):
                part.add(index, ns, round(ns - self.width) if ok else None)
        self._parts, self._part = deque(parts[:-1]), parts[-1]
        self._hulls = Hulls()
        for part in parts:
            self._hulls.join(part)

    def _middle(self) -> Line:
        """The centre of what is possible, at the next clock: at most half a block from anything
        else that is."""
        index = self.points[-1][0] + 1
        early, late = sorted((self._flat.at(index), self._steep.at(index)))
        room = max(0.0, (self.width - (late - early)) / 2)
        middle = (early + late) / 2
        ns = min(max(self._centre.at(index), middle - room), middle + room)
        return Line(index, ns, self._centre.period)

    def _move(self) -> None:
        """The played line goes towards the middle."""
        aim = self._middle()
        before = self.line.at(aim.index)
        step = max(_STEP * aim.period, abs(aim.ns - before) * _STEP)
        self.line = Line(aim.index, max(before - step, min(before + step, aim.ns)), aim.period)
