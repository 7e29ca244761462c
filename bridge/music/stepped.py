"""Lanes of values that go from step to step: what all of them have in common."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from bridge.music import chance
from bridge.music.node import NOTHING, Change, Hit, Window, steps_of
from bridge.music.pace import Pacing
from bridge.music.pattern import Cursor
from bridge.music.step_hits import StepHits
from bridge.music.ticks import NEVER, Swing, first_step_from, step_tick
from bridge.music.value_node import Placed, ValueNode
from bridge.music.value_states import StepsState, ValueState


class SteppedNode(ValueNode):
    """A lane of values that goes from step to step, by its rate or by the hits of another lane."""

    def __init__(self, of: Placed) -> None:
        super().__init__(of)
        self.pacing = Pacing(self.step, of.spec.bar_ticks)
        self.mover = (
            of.positions[of.written.advance] if isinstance(of.written.advance, str) else None
        )
        self.reset_by = (
            of.positions[of.written.reset] if isinstance(of.written.reset, str) else None
        )
        self.reset_ticks = (
            of.written.reset * of.spec.bar_ticks if isinstance(of.written.reset, int) else 0
        )
        readable = (*self.reads, self.mover, self.reset_by)
        self.reads = tuple(sorted({p for p in readable if p is not None}))
        self.cursor = Cursor(
            of.written.direction, chance.key(of.spec.seed, of.written.name, "direction")
        )
        self.origin = self.index = self.next = 0
        self.next_reset = self.reset_ticks
        self.hand = -1
        self.due = 0 if self.mover is None else NEVER
        self.passing = False  # only the last move of this window matters
        self.coming: tuple[int, float] | None = None  # that move, as far as it is known
        self.at = 0  # of written values, the one that the line has moved to, or moves to now

    def step_in(self, step: Fraction) -> None:
        super().step_in(step)
        written = self.written_lane
        self.bending = Swing(step, self.spec, "swing" in written.settings, written.led)

    def play(self, window: Window, out: list[Change], grid: int, lead: float) -> None:
        """One step: move the line, or leave it. `lead` is how much later its cause sounds."""
        if not self.advance(window, grid):
            return
        if self.passing:
            self.coming = grid, lead
        else:
            self.say(window, out, grid, lead)

    def advance(self, window: Window, grid: int) -> bool:
        """Go to the next step; whether it moves the line."""
        raise NotImplementedError

    def pass_by(self, window: Window, count: int) -> int | None:
        """
        Do what `count` times `advance` does, where only the last move matters.

        Args:
            window: in which nothing but these steps moves the lane.
            count: how many steps, at least one.

        Returns:
            How many steps before the last one the line moved last, -1 for not at all. None: these
            steps must be played one by one, and nothing was done.
        """
        return None

    def say(self, window: Window, out: list[Change], grid: int, lead: float) -> None:
        """Move the line as the last step that does has it."""
        raise NotImplementedError

    def sounding(self, window: Window, grid: int, lead: float = 0.0) -> int:
        if not self.played and window.passing is not NOTHING:
            return grid  # no output asks
        percent = window.setting(self.lane, "swing", grid)
        for bend in self.bending.bends(percent, self.origin):
            lead += bend.at(grid)
        return super().sounding(window, grid, lead)

    def to_first(self, by_hand: bool) -> None:
        """The next step is the first one."""
        self.cursor.reset(by_hand)

    def run(self, window: Window) -> None:
        if (self.mover is not None or self._stands(window.end)) and self.idle(window):
            if self.mover is None:
                self._due_at(self.next)
            return
        out = self.begin(window)
        self.passing = self.lane in window.passing.lasts
        resets: list[int] = []
        if self.reset_by is not None:
            resets = [hit.grid for hit in steps_of(window.hits.get(self.reset_by, ()))]
        hand = window.reset_by_hand(self.lane)
        if hand <= self.hand or hand >= window.end:
            hand = -1
        alone = not resets and hand < 0 and not self.reset_ticks
        if alone and (self._passed(window) if self.passing else self._said_again(window, out)):
            pass
        elif self.mover is None:
            hand = self._run_rate(window, out, resets, hand)
        else:
            hand = self._run_moved(window, out, resets, hand, self.mover)
        self._resets_until(window.end - 1, resets, hand)
        if self.coming is not None:
            self.say(window, out, *self.coming)
            self.coming = None
        self.finish(window)

    def _passed(self, window: Window) -> bool:
        """Go through a window of which only the last move matters without playing each step; False
        where that is not possible."""
        if self.mover is not None:
            hits = window.hits.get(self.mover, ())
            if not isinstance(hits, StepHits):
                return False
            count = hits.written
            back = self.pass_by(window, count) if count else -1
            if back is not None and back >= 0:
                self.coming = hits.written_before_last(back), 0.0
            return back is not None
        if not self._keeps_pace(window):
            return False
        count = first_step_from(window.end, self.step, self.origin) - self.index
        back = self.pass_by(window, count) if count > 0 else -1
        if back is None:
            return False
        if back >= 0:
            self.coming = step_tick(self.index + count - 1 - back, self.step, self.origin), 0.0
        self._gone_to(self.index + max(0, count), window.end)
        return True

    def _said_again(self, window: Window, out: list[Change]) -> bool:
        """Go through a window on the way in which the lane says the same things again and again;
        False where that is not so."""
        if self.mover is not None or self.played or window.passing is NOTHING:
            return False
        cycle = self.cycle(window) if self._keeps_pace(window) else []
        count = first_step_from(window.end, self.step, self.origin) - self.index
        if not cycle or count <= 0:
            return False
        step, origin, move = self.step, self.origin, self.line.move
        known: dict[int, Change] = {}  # what each written value has made the line do
        for number in range(count):
            at = cycle[number % len(cycle)]
            if at < 0:
                continue
            grid = step_tick(self.index + number, step, origin)
            said = known.get(at)
            self.at = at
            if said is None:
                self.say(window, out, grid, 0.0)
                known[at] = out[-1]
            else:
                move(grid, said.value, said.glide)
                out.append(Change(grid, grid, said.value, said.glide))
        self.go_on(count)
        self._gone_to(self.index + count, window.end)
        return True

    def go_on(self, count: int) -> None:
        """Do what `count` times `advance` does, where `cycle` says what these steps play."""
        raise NotImplementedError

    def cycle(self, window: Window) -> list[int]:
        """Which written value each step plays, from the next one on until they come again, below 0
        where the line stays; of a lane where each value moves the line in the same way, however
        often it comes in a window. Empty where that is not so."""
        return []

    def _keeps_pace(self, window: Window) -> bool:
        """Whether the lane's pace does not change in a window."""
        pacing = self.pacing
        if pacing.fresh or not window.fixed(self.lane, "pace"):
            return False
        return pacing.holds(window.setting(self.lane, "pace", window.start))

    def _gone_to(self, index: int, end: int) -> None:
        """Stand before the step `index` at the end of a window; the pace did not change in it."""
        self.index = index
        self.next = step_tick(index, self.step, self.origin)
        self.pacing.pass_over(end)
        self._due_at(self.next)

    def _stands(self, end: int) -> bool:
        """Whether a lane that goes by a rate does nothing by itself before `end`."""
        reset = self.next_reset if self.reset_ticks else end
        return min(self.next, self.pacing.line, reset) >= end

    def _run_rate(self, window: Window, out: list[Change], resets: list[int], hand: int) -> int:
        tick = self.next
        while True:
            line = self.pacing.line
            if line <= tick and line < window.end:
                hand = self._resets_until(line - 1, resets, hand)
                tick = self._pace_at(window, line, tick)
                continue
            if self.reset_ticks and self.next_reset <= min(tick, window.end - 1):
                tick = self.origin = self.next_reset
                self.index = 0
                self.next_reset += self.reset_ticks
                self.to_first(by_hand=False)
            if tick >= window.end:
                break
            hand = self._resets_until(tick, resets, hand)
            self.play(window, out, tick, 0.0)
            self.index += 1
            tick = step_tick(self.index, self.step, self.origin)
        self.next = tick
        self._due_at(tick)
        return hand

    def _pace_at(self, window: Window, line: int, tick: int) -> int:
        """Look at the lane's pace at a bar line, where it begins at its first step when that
        changes; the tick of its next step, which was `tick`."""
        fresh = self.pacing.fresh
        if not self.pacing.look(window.setting(self.lane, "pace", line), line):
            return tick
        self.step_in(self.pacing.step)
        if not fresh:
            self.to_first(by_hand=False)
            self.origin = line
        self.index = first_step_from(line, self.step, self.origin)
        return step_tick(self.index, self.step, self.origin)

    def _due_at(self, tick: int) -> None:
        """Note when the next run is needed."""
        reset = self.next_reset if self.reset_ticks else tick
        self.due = min(tick, reset, self.pacing.line)

    def _run_moved(
        self, window: Window, out: list[Change], resets: list[int], hand: int, mover: int
    ) -> int:
        hits: Sequence[Hit] = steps_of(window.hits.get(mover, ()))
        for hit in hits:
            if self.reset_ticks and self.next_reset <= hit.grid:
                self.next_reset = (hit.grid // self.reset_ticks + 1) * self.reset_ticks
                self.to_first(by_hand=False)
            hand = self._resets_until(hit.grid, resets, hand)
            self.play(window, out, hit.grid, 0.0 if self.on_grid else hit.feel.offset)
        return hand

    def _resets_until(self, tick: int, resets: list[int], hand: int) -> int:
        while resets and resets[0] <= tick:
            del resets[0]
            self.to_first(by_hand=False)
        if 0 <= hand <= tick:
            self.hand = hand
            self.to_first(by_hand=True)
            return -1
        return hand

    # --- state ---

    def restart(self, tick: int, bar: int) -> None:
        """Begin at the first step (see `Node.restart`)."""
        self.to_first(by_hand=True)
        if self.mover is None:
            self.origin = bar
            self.index = first_step_from(tick, self.step, bar)
            self.next = step_tick(self.index, self.step, bar)
            self._due_at(self.next)

    def rewind(self) -> None:
        super().rewind()
        self.cursor.rewind()
        self.pacing.rewind()
        self.step_in(self.pacing.step)
        self.origin = self.index = self.next = 0
        self.next_reset = self.reset_ticks
        self.hand = -1
        self.due = 0 if self.mover is None else NEVER

    def carry(self) -> ValueState:
        state = super().carry()
        state.origin, state.hand = self.origin, self.hand
        state.steps = StepsState(
            self.cursor.carry(),
            self.index,
            self.next,
            self.next_reset,
            self.reset_ticks,
            self.pacing.carry(),
        )
        return state

    def adopt(self, carry: object, at: int) -> None:
        super().adopt(carry, at)
        steps = None
        if isinstance(carry, ValueState):
            steps, self.hand, self.origin = carry.steps, carry.hand, carry.origin
        if self.reset_ticks:
            self.next_reset = max(1, -(-at // self.reset_ticks)) * self.reset_ticks
        if steps is None:
            self.pacing.begin(at)
        else:
            if self.reset_ticks and steps.reset_ticks == self.reset_ticks:
                self.next_reset = steps.next_reset
            self.cursor.adopt(steps.cursor)
            self.pacing.adopt(steps.pacing)
            self.step_in(self.pacing.step)
        if self.mover is None:
            if steps is not None and steps.pacing.written == self.pacing.written:
                self.index, self.next = steps.index, steps.next
            else:
                self.index = first_step_from(at, self.step, self.origin)
                self.next = step_tick(self.index, self.step, self.origin)
        self._due_at(self.next)
