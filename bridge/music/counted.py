"""A lane with a pattern on the way to a far place: pass by pass, and no more than others count."""

from __future__ import annotations

from bridge.music import chance
from bridge.music.hit_node import HitNode
from bridge.music.model import StepShape
from bridge.music.node import Hit, Window
from bridge.music.pace import Pacing
from bridge.music.pattern import Cursor
from bridge.music.ticks import first_step_from, step_tick

Bounds = tuple[float, float]


class CountedPattern(HitNode):
    """What a `PatternNode` does where only its hits on the grid matter; it says of itself what
    stands here."""

    advance_by: int | None
    reset_by: int | None
    reset_ticks: int
    shapes: tuple[StepShape | None, ...]
    varying_pattern_settings: tuple[str, ...]
    cursor: Cursor
    pacing: Pacing
    base: tuple[int, ...]
    order: tuple[int, ...] | None
    index: int
    next_tick: int
    accent_place: int

    def begin_pass(self) -> None:
        """The cursor stands on the first step of a pass."""
        raise NotImplementedError

    def limit(self, place: int, index: int) -> float:
        """The density from which on the cursor's step sounds; `index` is its number."""
        raise NotImplementedError

    def steady(self, window: Window) -> bool:
        """Whether nothing but its rate and chance moves the lane in this window."""
        pacing = self.pacing
        return (
            self.order is not None
            and self.advance_by is None
            and self.reset_by is None
            and not self.reset_ticks
            and not self.shapes
            and not self.varying_pattern_settings
            and not pacing.fresh
            and window.reset_by_hand(self.lane) < window.start
            and window.fixed(self.lane, "pace")
            and pacing.holds(window.setting(self.lane, "pace", window.start))
        )

    def count(self, window: Window, out: list[Hit]) -> None:
        """Play a window in which the lane is steady."""
        wanted = self.lane in window.passing.wanted
        density, likely = (self._between(window, name) for name in ("density", "chance"))
        cursor, steps = self.cursor, len(self.base)
        left = first_step_from(window.end, self.step, self.origin) - self.index
        while left > 0:
            cursor.move(steps)
            if cursor.step == 0:
                self.begin_pass()
            assert self.order is not None
            first = cursor.step
            count = min(left, len(self.order) - first)
            on = self.passes_on
            if wanted and (on is None or cursor.counted % self.passes_of + 1 in on):
                self._count_pass(window, out, range(first, first + count), density, likely)
            cursor.go(first + count - 1, steps)
            self.index += count
            left -= count
            if self.accents:
                self.accent_place += count
        self.next_tick = step_tick(self.index, self.step, self.origin)
        self.pacing.pass_over(window.end)
        self.due = min(self.next_tick, self.pacing.line)

    def _between(self, window: Window, name: str) -> Bounds:
        """Between which values a setting stays in this window."""
        if name in self.varying_hit_settings:
            return window.bounds(self.lane, name)
        value: float = getattr(self, name)
        return value, value

    def _count_pass(
        self, window: Window, out: list[Hit], steps: range, density: Bounds, likely: Bounds
    ) -> None:
        """The hits of some steps of a pass; settings are asked for where bounds do not decide."""
        cursor, order, length = self.cursor, self.order, len(self.base)
        assert order is not None
        pass_index = cursor.pass_index
        written = density == (0.5, 0.5)
        upper, lower = self.step.numerator, self.step.denominator
        for step in steps:
            if written and not order[step]:
                continue
            index = self.index + step - steps.start
            tick = self.origin + (2 * index * upper + lower) // (2 * lower)
            if not written:
                limit = self.limit(cursor.go(step, length), index)
                if limit > density[1] or (
                    limit > density[0] and window.setting(self.lane, "density", tick) < limit
                ):
                    continue
            if likely[0] < 1.0:
                drawn = chance.draw(self.chance_key, pass_index, step)
                if drawn >= likely[1] or (
                    drawn >= likely[0] and drawn >= window.setting(self.lane, "chance", tick)
                ):
                    continue
            out.append(Hit(tick, tick, 0.0, 1))
