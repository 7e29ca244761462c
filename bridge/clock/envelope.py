"""The early edge of a window of stamps.

A stamp on its way through queues, buses and schedulers can only come late, never early. So the
truth is not the middle of the stamps but their lower edge, and the straight line that lies below
all of them and touches them around the middle of the window is the best guess at the clock that
was sent. (It is the line with the smallest sum of distances among those below all points: the
likeliest one when lateness falls off exponentially.) It is an edge of the lower convex hull, and it
settles with 1/n where an average settles with the square root of it.

Where a sender is uneven both ways the line runs along its earliest stamps: as steady as those are,
and ahead of its middle by a constant that the clock's offset takes back.

The window is kept in blocks, each with its own small hull, so that the oldest block can be
dropped without looking at all points again: a few microseconds per stamp.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass

Point = tuple[int, int]
"""(clock index, stamp in ns)."""


@dataclass(frozen=True, slots=True)
class Line:
    """Clock `index` falls at `ns`, and one clock takes `period` ns."""

    index: int
    ns: float
    period: float

    def at(self, index: float) -> float:
        """Time of a clock (or of a place between two) in ns."""
        return self.ns + (index - self.index) * self.period


def push(hull: list[Point], point: Point) -> None:
    """Adds a point at the right end of a lower hull. Indices must rise."""
    x, y = point
    while len(hull) >= 2:
        (x1, y1), (x2, y2) = hull[-2], hull[-1]
        if (y2 - y1) * (x - x1) < (y - y1) * (x2 - x1):
            break
        hull.pop()
    hull.append(point)


class Envelope:
    """A window over the latest stamps and the lower hull of it.

    Holds at most `most` points, and never drops more than `block` of them at once.
    """

    def __init__(self, most: int = 512, block: int = 64) -> None:
        self._most = most
        self._block = block
        self.clear()

    def clear(self) -> None:
        self.points: deque[Point] = deque()
        self._hull: list[Point] = []
        self._closed: deque[tuple[int, list[Point]]] = deque()  # (points in it, hull of it)
        self._open: list[Point] = []
        self._open_count = 0

    def __len__(self) -> int:
        return len(self.points)

    def refill(self, points: Iterable[Point]) -> None:
        """Begins anew with these points, whose indices rise."""
        kept = list(points)
        self.clear()
        for index, ns in kept:
            self.add(index, ns)

    def add(self, index: int, ns: int) -> None:
        """Adds the newest stamp; `index` is above all others."""
        point = (index, ns)
        self.points.append(point)
        push(self._hull, point)
        push(self._open, point)
        self._open_count += 1
        if self._open_count == self._block:
            self._closed.append((self._block, self._open))
            self._open = []
            self._open_count = 0
        if len(self.points) > self._most:
            self._drop()

    def _drop(self) -> None:
        count, _ = self._closed.popleft()
        for _ in range(count):
            self.points.popleft()
        self._hull = []
        for _, hull in self._closed:
            for point in hull:
                push(self._hull, point)
        for point in self._open:
            push(self._hull, point)

    def line(self, where: float = 0.5) -> Line:
        """The hull's edge over the place `where` (0 oldest, 1 newest) of the window.

        Needs two points at least.
        """
        hull = self._hull
        right = self._edge(self._place(where))
        (x1, y1), (x2, y2) = hull[right - 1], hull[right]
        return Line(x2, y2, (y2 - y1) / (x2 - x1))

    def line_near(self, period: float, room: float) -> Line:
        """The line below all points whose period is nearest to `period` among those that fit.

        Those that fit touch the hull within `room` clocks of the middle. (A line that pays for
        every step away from `period` as for so much lateness of the points comes to just this.)
        Works from one point on.
        """
        hull = self._hull
        middle = self._place(0.5)
        low = self._slope_at(middle - room)
        high = self._slope_at(middle + room)
        slope = max(low, min(high, period))
        index, ns = min(hull, key=lambda point: point[1] - (point[0] - middle) * slope)
        return Line(index, ns, slope)

    def _place(self, where: float) -> float:
        oldest, newest = self._hull[0][0], self._hull[-1][0]
        return oldest + where * (newest - oldest)

    def _edge(self, place: float) -> int:
        """Position of the right end of the edge over `place`."""
        return min(len(self._hull) - 1, max(1, bisect_left(self._hull, (place, 0))))

    def _slope_at(self, place: float) -> float:
        hull = self._hull
        if place <= hull[0][0]:
            return 0.0
        if place >= hull[-1][0]:
            return float("inf")
        right = self._edge(place)
        (x1, y1), (x2, y2) = hull[right - 1], hull[right]
        return (y2 - y1) / (x2 - x1)
