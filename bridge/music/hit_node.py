"""What all lanes of hits have in common: the way from a place on the grid to the hits that sound.

Level, accent, swing, shift, humanise, repeats and gate length happen here; which places there are
is the work of `PatternNode` (lanes with a pattern) and of the derived lanes. Settings that nothing
moves are read once and kept until `Window.version` changes, because this runs in the player's
timing loop.
"""

from __future__ import annotations

from fractions import Fraction
from math import floor

from bridge.music import chance
from bridge.music.model import Lane, SetSpec
from bridge.music.node import BOTH, ON_GRID, SOUNDING, WRITTEN, Feel, Hit, Window
from bridge.music.ticks import Bends, Swing

PER_HIT = (
    "chance",
    "density",
    "level",
    "accent",
    "gate",
    "gate_ms",
    "humanise_level",
    "repeats",
    "repeat_curve",
    "repeat_ramp",
    "swing",
    "shift_ms",
    "shift",
    "humanise_ms",
)

# Between two repeats the gate falls for at least a tenth of their distance, or they would be one.
REPEAT_GATE = 0.9
LONGEST_GATE_BARS = 4
"""Bars to search ahead for what ends a gate (a tie's next hit, the fall of a derived gate); also
the longest such gate."""


class HitNode:
    """What all lanes of hits have in common: the way from a place on the grid to hits."""

    due = -1

    def __init__(self, lane: int, spec: SetSpec, step: Fraction) -> None:
        """`step` is what fractions of a step refer to."""
        written: Lane = spec.lanes[lane]
        self.lane = lane
        self.reads: tuple[int, ...] = ()
        self.written_lane = written
        self.bar_ticks = spec.bar_ticks
        self.longest = LONGEST_GATE_BARS * spec.bar_ticks
        self.origin = 0
        self.spec = spec
        self.step_in(step)
        self.on_grid = written.feel == "grid"
        self.varying_hit_settings: tuple[str, ...] = ()
        self.version = -1

        seed, name = spec.seed, written.name
        self.chance_key = chance.key(seed, name, "chance")
        self.level_key = chance.key(seed, name, "level")
        self.time_key = chance.key(seed, name, "time")

        self.passes_on = frozenset(written.passes.on) if written.passes else None
        self.passes_of = written.passes.of if written.passes else 1
        self.accents = written.accents
        self.tie = written.tie
        self.alone = False  # played ahead only to see when it hits: lengths do not matter
        self.passing = False  # its hits are counted in this window, and nothing else

        # Present values of the settings, by the names of `SETTINGS`.
        self.chance = 1.0
        self.density = 0.5
        self.level = 0.8
        self.accent = 1.0
        self.gate = 0.5
        self.gate_ms = 0.0
        self.humanise_level = 0.0
        self.repeats = 1.0
        self.repeat_curve = 0.0
        self.repeat_ramp = 0.0
        self.swing = 50.0
        self.shift_ms = 0.0
        self.shift = 0.0
        self.humanise_ms = 0.0

    def step_in(self, step: Fraction) -> None:
        """Be a lane with steps of that length."""
        written = self.written_lane
        self.step = step
        self.step_length = float(step)
        self.bending = Swing(step, self.spec, "swing" in written.settings, written.led)

    # --- settings ---

    def read_all(self, window: Window) -> None:
        """Read every setting anew; called when the window's version is not the one known."""
        self.version = window.version
        self.varying_hit_settings = tuple(
            name for name in PER_HIT if not window.fixed(self.lane, name)
        )
        for name in PER_HIT:
            setattr(self, name, window.setting(self.lane, name, window.start))

    def read_varying(self, window: Window, tick: int) -> None:
        """Read the settings that macros, lanes or sections move, at `tick`."""
        for name in self.varying_hit_settings:
            setattr(self, name, window.setting(self.lane, name, tick))

    # --- sounding ---

    def sound(
        self,
        window: Window,
        out: list[Hit],
        grid: int,
        pass_index: int,
        count: int,
        weight: float,
        causes: tuple[int, ...] = (),
        exists_in: int = BOTH,
        feel: Feel = ON_GRID,
    ) -> None:
        """
        Append the hits of one place on the grid.

        `pass_index` and `count` name the draws (pass and step, or tick and 0); `weight` is 0 for a
        plain hit, 1 for an accented one, 0.5 for half an accent; `feel` is what is inherited from
        the hit that causes this one.
        """
        if self.passing:
            out.append(Hit(grid, grid, 0.0, 1, exists_in=exists_in))
            return
        level = self.level
        if weight:
            level += self.accent * (1.0 - level) * weight
        if self.humanise_level:
            level += self.humanise_level * chance.signed(self.level_key, pass_index, count)
        if not 0.0 <= level <= 1.0:
            level = min(1.0, max(0.0, level))

        late = 0.0
        if self.shift:
            late += self.shift * self.step_length
        if self.shift_ms:
            late += window.ms(self.shift_ms)
        if self.humanise_ms:
            late += window.ms(self.humanise_ms) * chance.signed(self.time_key, pass_index, count)
        feel = feel.plus(grid, self.bending.bends(self.swing, self.origin), late)
        tick = max(0, floor(grid + feel.offset + 0.5))

        length = window.ms(self.gate_ms) if self.gate_ms else self.gate * self.step_length
        if self.repeats >= 1.5:
            self._repeat(out, grid, tick, level, length, weight, causes, exists_in, feel)
            return
        lasting = max(1, floor(length + 0.5))
        out.append(Hit(grid, tick, level, lasting, weight, causes, 0, exists_in, feel))

    def _repeat(
        self,
        out: list[Hit],
        grid: int,
        tick: int,
        level: float,
        length: float,
        accent: float,
        causes: tuple[int, ...],
        exists_in: int,
        feel: Feel,
    ) -> None:
        """
        Append several hits within one step.

        Hit j of n begins at ``(j / n) ** (2 ** -curve)`` of the step: above 0 the gaps shrink
        (accelerating), below they grow. The ramp falls to ``level * (1 + ramp)`` when below 0 and
        rises from ``level * (1 - ramp)`` when above. The step is taken as long as swing leaves it.
        """
        count = round(self.repeats)
        span = self.step_length + _swung(feel.bends, grid + round(self.step_length))
        span -= _swung(feel.bends, grid)
        power = 2.0**-self.repeat_curve
        starts = [floor(span * (j / count) ** power + 0.5) for j in range(count)]
        starts.append(floor(span + 0.5))
        share = length / self.step_length
        for j in range(count):
            gap = starts[j + 1] - starts[j]
            if j + 1 == count:
                lasting = length if self.gate_ms else gap * share
            else:
                lasting = min(length if self.gate_ms else gap * share, gap * REPEAT_GATE)
            ramp = 1.0
            if self.repeat_ramp < 0.0:
                ramp += self.repeat_ramp * j / (count - 1)
            elif self.repeat_ramp > 0.0:
                ramp -= self.repeat_ramp * (count - 1 - j) / (count - 1)
            out.append(
                Hit(
                    grid,
                    tick + starts[j],
                    level * ramp,
                    max(1, floor(lasting)),
                    accent,
                    causes,
                    j,
                    exists_in,
                    feel,
                )
            )

    def finish(self, window: Window, out: list[Hit]) -> None:
        """Make hits last until the next one that sounds, where the lane ties them. A hit that is
        only written lasts until the next written one."""
        if not self.tie or self.alone or self.passing or not out:
            return
        until: dict[int, int] = {}  # by bit: when the next hit that has it sounds
        for place in range(len(out) - 1, -1, -1):
            hit = out[place]
            bit = SOUNDING if hit.exists_in & SOUNDING else WRITTEN
            if bit not in until:
                until[bit] = self._next_tick(window, bit, hit.tick + self.longest)
            length = min(max(1, until[bit] - hit.tick), self.longest)
            out[place] = hit._replace(length=length)
            until.update({each: hit.tick for each in (WRITTEN, SOUNDING) if hit.exists_in & each})

    def _next_tick(self, window: Window, bit: int, limit: int) -> int:
        """When the first hit with `bit` after this window sounds; `limit` when there is none
        before."""
        for _, part in window.ahead(self.lane, window):
            for hit in part.hits.get(self.lane, ()):
                if hit.exists_in & bit:
                    return hit.tick
            if part.end >= limit:
                break
        return limit

    def restart(self, tick: int, bar: int) -> None:
        """A derived lane hits where its logic says: it has no first step."""

    def value_at(self, tick: int) -> float:
        raise TypeError(f"lane {self.written_lane.name} has hits and no value")


def _swung(bends: Bends, grid: int) -> float:
    return sum(bend.at(grid) for bend in bends)
