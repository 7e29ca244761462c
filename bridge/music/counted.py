"""A lane with a pattern on the way to a far place: no step of it is played, its hits are counted.

Passes are alike as long as neither a fill nor drift makes another pattern of them, so a window is a
few stretches of the same bytes, one for each step (see `bridge.music.step_hits`). Chance then takes
hits away: all draws for one step of the pattern are made together.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from fractions import Fraction
from typing import TypeVar

from bridge.music import chance
from bridge.music.batches import Draws
from bridge.music.drifting import Steps, drift_on, drifted, places_of
from bridge.music.euclid import euclid
from bridge.music.hit_node import HitNode
from bridge.music.model import Euclid, Source, StepShape
from bridge.music.node import BOTH, WRITTEN, Hit, Window, steps_of
from bridge.music.pace import Pacing
from bridge.music.pattern import (
    Cursor,
    Drift,
    filled,
    flipped,
    group_thresholds,
    played_order,
    thresholds,
)
from bridge.music.step_hits import StepHits
from bridge.music.thinned import Asked, Bounds, Marks, Thinned
from bridge.music.ticks import first_step_from, step_tick

Row = TypeVar("Row")
_MANY_STEPS = 12
_FEW_HITS = 10  # so many draws are quicker one by one
_SHARE = 12  # and so they are where no more of all passes than one in so many has a hit
_MOST_KNOWN = 1024  # values of a setting that are kept until they come round again
_TO_BOTH = bytes((0, BOTH)) + bytes(254)  # from a byte that is 1 where something is so


class CountedPattern(HitNode):
    """What a `PatternNode` does where only its hits on the grid matter; it says of itself what
    stands here."""

    advance_by: int | None
    reset_by: int | None
    reset_ticks: int
    next_reset: int
    source: Source
    shapes: tuple[StepShape | None, ...]
    written_at: tuple[int, ...]
    varying_pattern_settings: tuple[str, ...]
    cursor: Cursor
    drifting: Drift
    drift: float
    drift_bound: float
    pacing: Pacing
    base: Marks
    marks: Marks
    order: Marks | None
    group: int
    step: Fraction
    index: int
    next_tick: int
    hand: int
    accent_place: int

    def renew(self) -> None:
        """Work out the marks of the cursor's pass."""
        raise NotImplementedError

    def steady(self, window: Window) -> bool:
        """Whether nothing but what moves it along and chance moves the lane in this window, and it
        is long enough for counting to be quicker than playing."""
        if (
            self.order is None
            or self.reset_by is not None
            or self.varying_pattern_settings
            or window.reset_by_hand(self.lane) > self.hand
        ):
            return False
        if self.advance_by is not None:
            return not self.reset_ticks and self._may_be_moved(window, self.advance_by)
        pacing = self.pacing
        return (
            window.end - window.start > _MANY_STEPS * self.step_length
            and not pacing.fresh
            and window.fixed(self.lane, "pace")
            and pacing.holds(window.setting(self.lane, "pace", window.start))
            and (not self.reset_ticks or self._comes_round())
        )

    def _may_be_moved(self, window: Window, mover: int) -> bool:
        """Whether it is enough to know how often another lane moves this one."""
        if self.lane not in window.passing.wanted:
            return True
        alike = not {"density", "chance"}.intersection(self.varying_hit_settings)
        return alike and isinstance(window.hits.get(mover, ()), StepHits)

    def _comes_round(self) -> bool:
        """Whether a lane that begins again every few bars does the same each time, on the same
        steps."""
        fills = isinstance(self.source, Euclid) and self.source.fill is not None
        if fills or self.shapes or self.passes_on is not None or self.chance < 1.0:
            return False
        if {"density", "chance"}.intersection(self.varying_hit_settings):
            return False
        if self.drift > 0.0 or self.drifting.changed:
            return False
        apart = self.reset_ticks, self.next_reset - self.origin
        return not any(ticks % self.step for ticks in apart)

    def count(self, window: Window) -> None:
        """Count a window in which the lane is steady."""
        wanted = self.lane in window.passing.wanted
        if self.advance_by is not None:
            self._count_moved(window, window.hits.get(self.advance_by, ()), wanted)
            return
        index, origin = self.index, self.origin
        if self.reset_ticks and self.next_reset < window.end:
            flags = self._count_round(window, wanted)
            if not origin % self.step:  # the same steps as those of lanes that go through
                index, origin = index + int(origin / self.step), 0
        else:
            flags = self._count_until(window, window.end, wanted)
        if wanted and flags:
            window.hits[self.lane] = StepHits(flags, index, self.step, origin)
        self.next_tick = step_tick(self.index, self.step, self.origin)
        self.pacing.pass_over(window.end)
        self.due = min(self.next_tick, self.pacing.line)
        if self.reset_ticks:
            self.due = min(self.due, self.next_reset)

    def _count_until(self, window: Window, end: int, wanted: bool) -> bytes:
        """Count the steps before a tick, none of which is a first one after a reset; their flags,
        if these are wanted."""
        count = first_step_from(end, self.step, self.origin) - self.index
        if count <= 0:
            return b""
        flags = self._go_on(window, count, self.index, wanted)
        self.index += count
        return flags

    def _count_round(self, window: Window, wanted: bool) -> bytes:
        """Count a window in which the lane begins again at least once, as `_comes_round` has it."""
        flags = self._count_until(window, self.next_reset, wanted)
        rounds = (window.end - 1 - self.next_reset) // self.reset_ticks
        self._begin_again()
        if rounds:
            # All rounds but the last one, of which the end of the window may be in the middle.
            first = self.cursor.pass_index
            flags += self._count_until(window, self.next_reset, wanted) * rounds
            passes = self.cursor.pass_index + 1 - first
            self.cursor.pass_index += (rounds - 1) * passes
            self.next_reset += (rounds - 1) * self.reset_ticks
            self._begin_again()
        return flags + self._count_until(window, window.end, wanted)

    def _begin_again(self) -> None:
        """Begin at the first step, where the next reset is."""
        self.origin, self.index = self.next_reset, 0
        self.next_reset += self.reset_ticks
        self.cursor.reset()
        self.accent_place = 0

    def _count_moved(self, window: Window, hits: Sequence[Hit], wanted: bool) -> None:
        """Count a window in which another lane moves this one at each of its `hits`."""
        count = hits.written if isinstance(hits, StepHits) else len(steps_of(hits))
        if not count:
            return
        pass_index, step = self.cursor.next(len(self.base))
        number = pass_index * self.cursor.span(len(self.base)) + step
        flags = iter(self._go_on(window, count, number, wanted))
        if wanted and isinstance(hits, StepHits):
            moved = bytes(next(flags) if bits & WRITTEN else 0 for bits in hits.flags)
            window.hits[self.lane] = StepHits(moved, hits.first, hits.step, hits.origin)

    def _go_on(self, window: Window, count: int, number: int, wanted: bool) -> bytes:
        """Go through `count` steps, at least one; their flags, if these are wanted. `number` is
        that of the first of them."""
        first, flags = self.cursor.next(len(self.base)), b""
        if wanted:
            flags = self._hits(window, first, count, number)
        else:
            passes = self._drifting(first, count)
            if passes is not None:
                bound = round(self.drift_bound)
                drift_on(self.drifting, *passes, self.base, self.drift, bound)
        self.cursor.go_on(count, len(self.base))
        self.renew()
        if self.accents:
            self.accent_place += count
        return flags

    def _between(self, window: Window, name: str) -> Bounds:
        """Between which values a setting stays in this window."""
        if name in self.varying_hit_settings:
            return window.bounds(self.lane, name)
        value: float = getattr(self, name)
        return value, value

    def _asked(self, window: Window, name: str) -> tuple[Callable[[int], float], int]:
        """Asks for a setting at a step of the lane, by its number: once for each place of the
        setting's period, when it has one; and how many steps that has, else 0."""
        lane, setting, step, origin = self.lane, window.setting, self.step, self.origin
        period = window.period(lane, name) if step.denominator == 1 else None
        size = 0 if period is None else period[0] // step.numerator
        if period is None or period[0] % step.numerator or size > _MOST_KNOWN:
            return lambda index: setting(lane, name, step_tick(index, step, origin)), 0
        key = lane, name, window.version, period, step, origin
        known = window.passing.known.get(key)
        if known is None:
            known = window.passing.known[key] = [None] * size

        def ask(index: int) -> float:
            value = known[index % size]
            if value is None:
                value = known[index % size] = setting(lane, name, step_tick(index, step, origin))
            return value

        return ask, size

    # --- the pattern of each pass ---

    def _drifting(self, first: tuple[int, int], count: int) -> tuple[int, int] | None:
        """In which passes steps may drift, or come home, on the way through `count` steps: the
        first of them, and how many. `first` is the pass and the step of the first of the steps."""
        pass_index, step = first
        if self.drift <= 0.0 and len(self.drifting.changed) <= round(self.drift_bound):
            return None
        last = pass_index + (step + count - 1) // self.cursor.span(len(self.base))
        # The first pass is as written.
        begin = max(pass_index + (step > 0), self.cursor.first_pass + 1)
        return begin, last + 1 - begin

    def _stretches(
        self, first: tuple[int, int], count: int, of: Callable[[Marks], Row]
    ) -> Iterator[tuple[int, Row]]:
        """
        What is played in `count` steps: how many passes, and what `of` makes of their marks.

        Args:
            first: the pass and the step of the first of these steps. Its pass is given from its
                first step on, and the last one to its end.
            count: how many steps.
            of: it is asked once for what drift comes back to.
        """
        pass_index, step = first
        last = pass_index + (step + count - 1) // self.cursor.span(len(self.base))
        if step:
            yield 1, of(self.marks)
            pass_index += 1
        base, fill = self.base, self.source.fill if isinstance(self.source, Euclid) else None
        ending = base if fill is None else filled(base, euclid(fill.hits, fill.length))
        bound, passes = round(self.drift_bound), self._drifting(first, count)
        changes: Iterator[tuple[int, Steps]] = iter(())
        if passes is not None:
            changes = drifted(self.drifting, *passes, base, self.drift, bound)
        turned: dict[Steps, tuple[Row, Row]] = {}
        changed = sum(1 << place for place in self.drifting.changed)
        while pass_index <= last:
            if changed not in turned:
                places = frozenset(places_of(changed))
                plain = full = of(flipped(base, places))
                if fill is not None:
                    full = of(flipped(ending, places))
                turned[changed] = plain, full
            plain, full = turned[changed]
            until, changed = next(changes, (last + 1, 0))
            if fill is None and until > pass_index:
                yield until - pass_index, plain
                pass_index = until
            while fill is not None and pass_index < until:
                counted = pass_index - self.cursor.first_pass
                plainly = min(until - pass_index, fill.every - 1 - counted % fill.every)
                yield (plainly, plain) if plainly else (1, full)
                pass_index += plainly or 1
        for _ in changes:
            pass

    # --- its hits ---

    def _hits(self, window: Window, first: tuple[int, int], count: int, number: int) -> bytes:
        """The flags of `count` steps, of which the first has that number; settings are asked for
        where bounds do not decide."""
        pass_index, step = first
        begin = number - step  # the number of the first step of the first pass
        density = self._between(window, "density")
        flags = bytearray()
        span = self.cursor.span(len(self.base))
        if density == (0.5, 0.5):
            stretches = self._stretches(first, count, self._as_written)
            flags = bytearray(b"".join([row * passes for passes, row in stretches]))
        else:
            sounding = self._by_density(window, density, number + count)
            for passes, row in self._stretches(first, count, sounding):
                flags += row(begin + len(flags), passes)
        if self.passes_on is not None:
            for again in range(len(flags) // span):
                counted = pass_index + again - self.cursor.first_pass
                if counted % self.passes_of + 1 not in self.passes_on:
                    flags[again * span : (again + 1) * span] = bytes(span)
        likely = self._between(window, "chance")
        if likely[0] < 1.0 or self.shapes:
            for place in range(span):
                column = flags[place::span]
                if BOTH in column:
                    flags[place::span] = self._by_chance(
                        window, likely, bytes(column), pass_index, place, begin
                    )
        return bytes(flags[step : step + count])

    def _as_written(self, marks: Marks) -> bytes:
        """The steps of a pass that sound at the density at which a pattern is as written."""
        order = played_order(marks, self.cursor.direction)
        assert order is not None
        return bytes(BOTH if mark else 0 for mark in order)

    def _by_density(
        self, window: Window, density: Bounds, end: int
    ) -> Callable[[Marks], Callable[[int, int], bytes]]:
        """
        Asks for the steps that sound in passes with the same marks.

        Args:
            window: what the settings are asked of.
            density: between which values it stays.
            end: the number of the step before which the window ends.

        Returns:
            Of the marks, a function of the number of the first step of the first of these passes,
            and how many they are.
        """
        span = self.cursor.span(len(self.base))
        # In a pattern shorter than the bar the place in the bar says how strong a step is.
        alike = self.group if span < self.group else 1
        ask, size = self._asked(window, "density")
        name = self.lane, window.version, size, self.step, self.origin
        # A period may be longer than a window, so rows are kept on the way.
        known = window.passing.sounding.setdefault(name, {})
        asked = Asked(density, ask, range(self.index, end), size, known)
        return lambda marks: Thinned(marks, span, alike, self._limits, asked)

    def _limits(self, marks: Marks, index: int) -> Sequence[float]:
        """The density from which on each step of a pass sounds; `index` is the number of its first
        step."""
        span = self.cursor.span(len(marks))
        if span >= self.group:
            limits = thresholds(marks)
            if self.cursor.direction == "forward":
                return limits
            return [limits[self.cursor.place_of(step, len(marks))] for step in range(span)]
        order = played_order(marks, self.cursor.direction)
        assert order is not None
        found = []
        for step in range(span):
            within = (index + step) % self.group
            found.append(group_thresholds(order, self.group, (step - within) % span)[0][within])
        return found

    def _by_chance(
        self, window: Window, likely: Bounds, column: bytes, pass_index: int, place: int, begin: int
    ) -> bytes:
        """
        What chance leaves of one step of the pattern, in passes that follow one another.

        Args:
            window: what the settings are asked of.
            likely: between which values the lane's chance stays.
            column: whether the step sounds, for each pass.
            pass_index: the first of the passes.
            place: the step.
            begin: the number of the first step of the first pass.
        """
        low, high = likely
        shape, share = None, 1.0
        if self.shapes:
            shape = self.shapes[self.written_at[self.cursor.place_of(place, len(self.base))]]
        if shape is not None:
            if shape.of:
                first = pass_index - self.cursor.first_pass
                column = bytes(
                    flag if (first + number) % shape.of + 1 in shape.on else 0
                    for number, flag in enumerate(column)
                )
            if shape.chance is not None:
                share = shape.chance
                low, high = low * share, high * share
        if low >= 1.0:
            return column
        if low == high and column.count(BOTH) <= max(_FEW_HITS, len(column) // _SHARE):
            kept = bytearray(column)
            at = column.find(BOTH)
            while at >= 0:
                if chance.draw(self.chance_key, pass_index + at, place) >= low:
                    kept[at] = 0
                at = column.find(BOTH, at + 1)
            return bytes(kept)
        draws = Draws(self.chance_key, pass_index, place, len(column))
        left = _both(column, draws.under(high))
        if low == high:
            return left
        span = self.cursor.span(len(self.base))
        end = first_step_from(window.end, self.step, self.origin)
        found = bytearray(_both(column, draws.under(low)))
        ask, _ = self._asked(window, "chance")
        for number, (may, does) in enumerate(zip(left, found, strict=True)):
            index = begin + number * span + place
            if may and not does and self.index <= index < end:
                drawn = chance.draw(self.chance_key, pass_index + number, place)
                if drawn < ask(index) * share:
                    found[number] = BOTH
        return bytes(found)


def _both(column: bytes, under: bytes) -> bytes:
    """The flags of a column where a draw is under its limit."""
    bits = int.from_bytes(under.translate(_TO_BOTH), "little")
    return (int.from_bytes(column, "little") & bits).to_bytes(len(column), "little")
