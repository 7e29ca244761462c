"""A lane with a pattern on the way to a far place: no step of it is played, its hits are counted.

Passes are alike as long as neither a fill nor drift makes another pattern of them, so a window is a
few stretches of the same bytes, one for each step (see `bridge.music.step_hits`). Chance then takes
hits away: all draws for one step of the pattern are made together.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from fractions import Fraction
from math import gcd

from bridge.music import chance
from bridge.music.batches import Draws
from bridge.music.drifting import drifted
from bridge.music.euclid import euclid
from bridge.music.hit_node import HitNode
from bridge.music.model import Euclid, Source, StepShape
from bridge.music.node import BOTH, Window
from bridge.music.pace import Pacing
from bridge.music.pattern import Cursor, Drift, filled, group_thresholds, played_order, thresholds
from bridge.music.step_hits import StepHits
from bridge.music.ticks import first_step_from, step_tick

Bounds = tuple[float, float]
Marks = tuple[int, ...]
_MANY_STEPS = 12
_FEW_HITS = 10  # so many draws are quicker one by one
_MOST_KNOWN = 1024  # values of a setting that are kept until they come round again
_TO_BOTH = bytes((0, BOTH)) + bytes(254)  # from a byte that is 1 where something is so


class CountedPattern(HitNode):
    """What a `PatternNode` does where only its hits on the grid matter; it says of itself what
    stands here."""

    advance_by: int | None
    reset_by: int | None
    reset_ticks: int
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
        """Whether nothing but its rate and chance moves the lane in this window, and it is long
        enough for counting to be quicker than playing."""
        pacing = self.pacing
        return (
            window.end - window.start > _MANY_STEPS * self.step_length
            and self.order is not None
            and self.advance_by is None
            and self.reset_by is None
            and not self.reset_ticks
            and not self.varying_pattern_settings
            and not pacing.fresh
            and window.reset_by_hand(self.lane) <= self.hand
            and window.fixed(self.lane, "pace")
            and pacing.holds(window.setting(self.lane, "pace", window.start))
        )

    def count(self, window: Window) -> None:
        """Count a window in which the lane is steady."""
        count = first_step_from(window.end, self.step, self.origin) - self.index
        if count > 0:
            first = self.cursor.next(len(self.base))
            if self.lane in window.passing.wanted:
                stretches = list(self._stretches(first, count))
                window.hits[self.lane] = self._hits(window, first, count, stretches)
            else:
                for _ in self._changes(first, count):
                    pass
            self.cursor.go_on(count, len(self.base))
            self.renew()
            if self.accents:
                self.accent_place += count
            self.index += count
        self.next_tick = step_tick(self.index, self.step, self.origin)
        self.pacing.pass_over(window.end)
        self.due = min(self.next_tick, self.pacing.line)

    def _between(self, window: Window, name: str) -> Bounds:
        """Between which values a setting stays in this window."""
        if name in self.varying_hit_settings:
            return window.bounds(self.lane, name)
        value: float = getattr(self, name)
        return value, value

    def _asked(self, window: Window, name: str) -> Callable[[int], float]:
        """Asks for a setting at a step of the lane, by its number: once for each place of the
        setting's period, when it has one."""
        lane, setting, step, origin = self.lane, window.setting, self.step, self.origin
        period = window.period(lane, name) if step.denominator == 1 else None
        size = 0 if period is None else period[0] // step.numerator
        if period is None or period[0] % step.numerator or size > _MOST_KNOWN:
            return lambda index: setting(lane, name, step_tick(index, step, origin))
        key = lane, name, window.version, period, step, origin
        known = window.passing.known.get(key)
        if known is None:
            known = window.passing.known[key] = [None] * size

        def ask(index: int) -> float:
            value = known[index % size]
            if value is None:
                value = known[index % size] = setting(lane, name, step_tick(index, step, origin))
            return value

        return ask

    # --- the pattern of each pass ---

    def _changes(self, first: tuple[int, int], count: int) -> Iterator[int]:
        """Drift through `count` steps; the passes in which something changes. `first` is the pass
        and the step of the first of them."""
        pass_index, step = first
        last = pass_index + (step + count - 1) // self.cursor.span(len(self.base))
        bound = round(self.drift_bound)
        if self.drift <= 0.0 and len(self.drifting.changed) <= bound:
            return iter(())
        # The first pass is as written.
        begin = max(pass_index + (step > 0), self.cursor.first_pass + 1)
        return drifted(self.drifting, begin, last + 1 - begin, self.base, self.drift, bound)

    def _stretches(self, first: tuple[int, int], count: int) -> Iterator[tuple[int, Marks]]:
        """
        What is played in `count` steps: how many passes, and their marks.

        Args:
            first: the pass and the step of the first of these steps. Its pass is given from its
                first step on, and the last one to its end.
            count: how many steps.
        """
        changes = self._changes(first, count)
        pass_index, step = first
        last = pass_index + (step + count - 1) // self.cursor.span(len(self.base))
        if step:
            yield 1, self.marks
            pass_index += 1
        fill = self.source.fill if isinstance(self.source, Euclid) else None
        while pass_index <= last:
            plain = self.drifting.apply(self.base)
            full = plain
            if fill is not None:
                full = self.drifting.apply(filled(self.base, euclid(fill.hits, fill.length)))
            until = next(changes, last + 1)
            while pass_index < until:
                counted = pass_index - self.cursor.first_pass
                passes = until - pass_index
                if fill is None or full == plain:
                    yield passes, plain
                elif (counted + 1) % fill.every:
                    passes = min(passes, fill.every - 1 - counted % fill.every)
                    yield passes, plain
                else:
                    passes = 1
                    yield 1, full
                pass_index += passes

    # --- its hits ---

    def _hits(
        self, window: Window, first: tuple[int, int], count: int, stretches: list[tuple[int, Marks]]
    ) -> StepHits:
        """The hits of `count` steps; settings are asked for where bounds do not decide."""
        pass_index, step = first
        begin = self.index - step  # the number of the first step of the first pass
        density = self._between(window, "density")
        flags = bytearray()
        span = self.cursor.span(len(self.base))
        if density == (0.5, 0.5):
            written: dict[Marks, bytes] = {}
            for passes, marks in stretches:
                if marks not in written:
                    written[marks] = self._as_written(marks)
                flags += written[marks] * passes
        else:
            by_density = self._by_density(window, density, self.index + count)
            for passes, marks in stretches:
                flags += by_density(marks, begin + len(flags), passes)
        if self.passes_on is not None:
            for number in range(len(flags) // span):
                counted = pass_index + number - self.cursor.first_pass
                if counted % self.passes_of + 1 not in self.passes_on:
                    flags[number * span : (number + 1) * span] = bytes(span)
        likely = self._between(window, "chance")
        if likely[0] < 1.0 or self.shapes:
            for place in range(span):
                column = flags[place::span]
                if BOTH in column:
                    flags[place::span] = self._by_chance(
                        window, likely, bytes(column), pass_index, place, begin
                    )
        return StepHits(bytes(flags[step : step + count]), self.index, self.step, self.origin)

    def _as_written(self, marks: Marks) -> bytes:
        """The steps of a pass that sound at the density at which a pattern is as written."""
        order = played_order(marks, self.cursor.direction)
        assert order is not None
        return bytes(BOTH if mark else 0 for mark in order)

    def _by_density(
        self, window: Window, density: Bounds, end: int
    ) -> Callable[[Marks, int, int], bytes]:
        """
        Asks for the steps that sound in passes with the same marks.

        Args:
            window: what the settings are asked of.
            density: between which values it stays.
            end: the number of the step before which the window ends.

        Returns:
            A function of the marks, the number of the first step of the first of these passes, and
            how many they are.
        """
        span = self.cursor.span(len(self.base))
        low, high = density
        # In a pattern shorter than the bar the place in the bar says how strong a step is.
        unlike = self.group // gcd(span, self.group) if span < self.group else 1
        ask = self._asked(window, "density")
        # Drift comes back to the same marks again and again.
        found: dict[tuple[Marks, int], tuple[bytes, list[tuple[int, float]]]] = {}

        def sure(marks: Marks, index: int) -> tuple[bytes, list[tuple[int, float]]]:
            """The steps of one pass that sound at any density, and the limits of those that sound
            at some."""
            limits = self._limits(marks, index)
            unsure = [(place, limit) for place, limit in enumerate(limits) if low < limit <= high]
            return bytes(BOTH if limit <= low else 0 for limit in limits), unsure

        def sounding(marks: Marks, begin: int, passes: int) -> bytes:
            flags = bytearray()
            asks: list[tuple[int, float]] = []
            for number in range(min(unlike, passes)):
                first = begin + number * span
                key = marks, first % self.group if unlike > 1 else 0
                if key not in found:
                    found[key] = sure(marks, first)
                steps, unsure = found[key]
                flags += steps
                asks += [(number * span + place, limit) for place, limit in unsure]
            whole, rest = divmod(passes, unlike)
            flags = flags * whole + flags[: rest * span]
            for again in range(0, passes * span, unlike * span):
                for place, limit in asks:
                    index = begin + again + place
                    known = self.index <= index < end and again + place < len(flags)
                    if known and ask(index) >= limit:
                        flags[again + place] = BOTH
            return bytes(flags)

        return sounding

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
        if low == high and column.count(BOTH) <= _FEW_HITS:
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
        ask = self._asked(window, "chance")
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
