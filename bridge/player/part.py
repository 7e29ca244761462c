"""What is played: a score with its performance and renderer, turned into items for the timeline.

Knows ticks only. The tempo is handed in where a width in milliseconds has to fit into a step.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from fractions import Fraction
from typing import NamedTuple

from bridge.errors import CommandError
from bridge.music.event import Event
from bridge.music.model import SetSpec
from bridge.music.names import after
from bridge.music.performance import Performance
from bridge.music.render import Renderer
from bridge.music.score import Score
from bridge.player.catchup import CatchUp, Change, Move, Reset, Swapped
from bridge.player.going_on import Names, go_on
from bridge.player.pace import Pace
from bridge.player.pieces import Pieces
from bridge.player.timeline import Item
from bridge.protocol.command import Command
from bridge.voltage.profile import WiredOutput
from bridge.voltage.rig_parts import NS_PER_MS, Timing

SIXTEENTH = 240
SLICE_NS = 1_000_000
"""About how long one step of the way to another place takes."""
ROOM_NS = 20_000_000
"""How long one of them may take, to find out how fast lanes count."""
AT_ONCE_NS = 8_000_000
"""How long the way to a place may take when what is played there is due now."""
WALK_NS = 2_000_000_000
"""How much work a place is worth while the song stands. Beyond it lanes fall in there."""
NS_PER_TICK_AT_1_BPM = 62_500_000


class _Swap(NamedTuple):
    """A score that waits for the tick `at` (None: nothing plays), with all that plays it: what can
    be built before is not built when the next hits are due."""

    renderer: Renderer
    revision: int
    at: int | None
    renamed: Names
    parts: Mapping[str, object]


def _chained(first: Names, then: Names) -> Names:
    """The names after both."""
    both: dict[str, dict[str, str]] = {}
    for what in {*first, *then}:
        early, late = first.get(what, {}), then.get(what, {})
        both[what] = {
            **{old: new for old, new in late.items() if old not in early.values()},
            **{old: late.get(new, new) for old, new in early.items()},
        }
    return both


def swap_tick(rendered: int, when: str, spec: SetSpec) -> int:
    """The tick at which another score takes over: the next line at or after `rendered`.

    Args:
        rendered: the tick up to which the score before it has been given out.
        when: which lines count: ``step`` (a sixteenth), ``beat`` or ``bar``.
        spec: the set whose beats and bars count.

    Raises:
        CommandError: `when` is none of these.
    """
    grid = {"step": SIXTEENTH, "beat": spec.beat_ticks, "bar": spec.bar_ticks}.get(when)
    if grid is None:
        raise CommandError(f"swap: 'when' cannot be {when!r}")
    return -(-rendered // grid) * grid


class Part:
    """One set at play on the outputs of a rig.

    `rendered` is the tick up to which items have been given out; `early` is how many ns before its
    tick an item on an output leaves because of that output's interface. `clock` (monotonic ns)
    limits how long going to another place may take.
    """

    def __init__(
        self,
        score: Score,
        revision: int,
        outputs: Mapping[str, WiredOutput],
        early: Mapping[str, int],
        timing: Timing,
        clock: Callable[[], int] = int,
    ) -> None:
        self.revision = revision
        self._clock = clock
        self._walked_ns = 0
        self._catch_up: CatchUp | None = None
        self._spare: Renderer | None = None  # one that has caught up for this score before
        self._passed = 0  # the bar line at which nothing takes over any more
        self.rendered = 0
        self.last: int | None = None
        """The tick at which everything ends, for whoever wants so many bars and no more."""
        self.seeking = False
        """On the way to `rendered`; values are not those of that place yet."""
        self._outputs = outputs
        self._early = early
        self._timing = timing
        self._located: int | None = 0  # where the renderer was sent and has not moved from
        self._swap: _Swap | None = None
        default = round(timing.trigger_ms * NS_PER_MS)
        self._widths = {
            name: round(wired.output.pulse_ms * NS_PER_MS) or default
            for name, wired in outputs.items()
            if wired.output.kind == "trigger" or (wired.output.gates and wired.output.pulse_ms)
        }
        self._take(Renderer(score, Performance(score)))
        self.performance.running = False

    def _take(self, renderer: Renderer) -> None:
        self.score = score = renderer.score
        self.performance = renderer.performance
        self.renderer = renderer
        self._pace, self._pieces, self._spare = Pace(), Pieces(self._clock), None
        self.names = [lane.name for lane in score.lanes]
        self._macros = [macro.name for macro in score.spec.macros]
        self._value_early = self._before_hits(score)
        # Only a lane with steps of its own bounds a pulse; one moved by hits has no fixed step.
        self._steps: list[Fraction | None] = [
            lane.advance if isinstance(lane.advance, Fraction) else None for lane in score.lanes
        ]

    def _before_hits(self, score: Score) -> dict[str, int]:
        """How many ns before its tick a value leaves, by output. One that moves with hits is there
        before them, also where their voice is the later one."""
        early = dict(self._early)
        for lane in score.lanes:
            if lane.out in early and isinstance(lane.advance, str):
                hits = score.lanes[score.positions[lane.advance]].out
                early[lane.out] = max(early[lane.out], self._early.get(hits or "", 0))
        return early

    # --- reading --------------------------------------------------------------------------------

    def values(self) -> dict[str, float]:
        """The present value of every output that is driven: notes for pitches, else volts."""
        return {e.output: e.value for e in self.renderer.hold_values() if e.output is not None}

    def driven_by(self, macro: str) -> dict[str, float]:
        """Volts at `rendered` of the level outputs that a macro drives; none for an unknown one."""
        if macro not in self._macros:
            return {}
        return self.renderer.driven_by(self._macros.index(macro))

    def unheard(self) -> list[bool]:
        """Which lanes are silent at `rendered`, by position."""
        return self.performance.at(self.rendered).unheard

    def memory(self) -> dict[str, object]:
        """What is set and how far it is rendered, as plain data."""
        state, rendered = self.performance.state(), self.rendered
        return {"state": state, "rendered": rendered, "revision": self.revision}

    def stands(self) -> dict[str, object]:
        """Where everything stands at `rendered`. It takes a fraction of what it takes to make
        plain data of ``place`` (`place.plain`), which stays as it is and may wait."""
        self.performance.settle(self.rendered)
        return {**self.memory(), "place": self.renderer.place}

    # --- playing --------------------------------------------------------------------------------

    def render(self, goal: int, bpm: float) -> Iterator[Item]:
        """Items with rendered <= tick < at least one step towards `goal`; call again until there.

        One call goes to the next tick at which the performance changes by itself, or the score.
        """
        start, end = self.rendered, goal
        if self._swap is not None and self._swap.at is not None:
            if self._swap.at <= start:
                yield from self.change_score()
            else:
                end = min(end, self._swap.at)
        change = self.performance.next_change(start)
        if change is not None and start < change < end:
            end = change
        if self._catch_up is not None:
            end = self._to_line(start, end)
        before = self.unheard()
        for event in self.renderer.advance(end):
            yield self._item(event, bpm)
        self.rendered, self._located = end, None
        after = self.unheard()
        if before is not after:
            for position, (was, out) in enumerate(zip(before, after, strict=True)):
                if out and not was:
                    yield Item("mute", end, position, self.names[position])

    def standing(self, tick: int) -> Iterator[Item]:
        """What every value output should hold at `tick`, where playing begins."""
        for output, value in self.values().items():
            pitch = self._outputs[output].output.kind == "pitch"
            early = self._value_early[output] + self._timing.lead_ns
            # Before all lanes: what a lane says for this tick itself is newer.
            yield Item(
                "value",
                tick,
                -1,
                output=output,
                value=value,
                kind="pitch" if pitch else "level",
                early=early,
            )

    def seek(self, tick: int, within_ns: int = AT_ONCE_NS) -> None:
        """Go to `tick` now: exactly, as if everything up to it had been played, when `within_ns` is
        enough for that; else lanes fall in there. Nothing to do when the renderer is there."""
        self.head_for(tick)
        self._arrive(within_ns)

    def head_for(self, tick: int) -> None:
        """Go to `tick`, a little at each `approach`: where nothing is remembered of the way, it is
        played through silently, as far as that is worth the work (`WALK_NS`)."""
        if self._located == tick:
            return
        if self._catch_up is not None:  # what fell in is no place to go on from
            way = self._catch_up.way(self.score)
            self._give_up()
            if way is None:
                self.renderer.rewind()
            else:
                self.renderer.go_on_from(way)
        self.performance.locate(tick)
        self.rendered = self._located = tick
        self.seeking = True
        self._walked_ns = 0

    def approach(self) -> int:
        """One step of the way, a few bars long at most; returns the ns it took."""
        goal, begun = self.rendered, self._clock()
        if self._walked_ns > WALK_NS:
            self._fall_in(goal, goal)
        else:
            self._pieces.go(self.renderer, goal, SLICE_NS, ROOM_NS)
        took = self._clock() - begun
        self._walked_ns += took
        self.seeking = self.renderer.position != goal
        return took

    def recall(self, memory: object, tick: int, within_ns: int = AT_ONCE_NS) -> None:
        """Go to `tick` from a place that another player's renderer remembered; ValueError when it
        is of no use. The performance must be there already."""
        self.renderer.recall(memory, tick)
        self._give_up()
        self.rendered = self._located = tick
        self.seeking = True
        self._arrive(within_ns)

    def load(
        self, score: Score, revision: int, state: Mapping[str, object], tick: int, stood: object
    ) -> None:
        """
        Becomes what another part was at a tick; nothing may be playing.

        Args:
            score: the set.
            revision: its number.
            state: that of the performance, as it gave it.
            tick: where that was.
            stood: where the renderer stood (`Renderer.place`).

        Raises:
            CommandError: these are no such things; nothing is changed.
        """
        performance = Performance(score)
        performance.restore(state, tick)  # as one that runs: what glides goes on to glide
        renderer = Renderer(score, performance)
        try:
            renderer.stand(stood)
        except ValueError as error:
            raise CommandError(str(error)) from None
        if renderer.position != tick:
            raise CommandError("that place is another tick")
        performance.running = False
        self._swap, self.revision, self.seeking = None, revision, False
        self._catch_up = None
        self._take(renderer)
        self.rendered = self._located = tick

    def _arrive(self, within_ns: int) -> None:
        until = self._clock() + within_ns
        while self.seeking:
            if self._clock() > until:
                self._fall_in(self.rendered, self.rendered)
                self.seeking = False
            else:
                self.approach()

    def skip(self, tick: int, within_ns: int = AT_ONCE_NS) -> None:
        """Go on to a later tick without giving out what lies between; see `seek`."""
        renderer, until = self.renderer, self._clock() + within_ns
        while renderer.position < tick:
            at, begun = renderer.position, self._clock()
            if begun > until:
                self._fall_in(tick, at)
                self.performance.settle(tick)
                break
            renderer.advance(min(tick, at + self._pace.ticks(SLICE_NS, tick - at)))
            self._pace.took(renderer.position - at, self._clock() - begun)
        self.rendered = self._located = tick

    # --- catching up ----------------------------------------------------------------------------

    @property
    def catching_up(self) -> CatchUp | None:
        """The exact way to where lanes fell in, as long as it is worth going on with it."""
        if self._catch_up is not None and self._catch_up.useless:
            self._give_up()
        return self._catch_up

    def _give_up(self) -> None:
        if self._catch_up is not None:
            self._spare = self._catch_up.spare(self.score) or self._spare
            self._catch_up = None

    def _fall_in(self, tick: int, settled: int) -> None:
        """Have lanes fall in at `tick`; `settled` is that up to which what is set was asked for."""
        if self._catch_up is None:
            way, state = self.renderer.way, self.performance.state()
            self._catch_up = CatchUp(way, self.score, state, settled, self._clock, self._spare)
        self.renderer.fall_in(tick)

    def apply(self, command: Command, client: str = "") -> None:
        """Do a command of the performance at `rendered`, or raise CommandError and do nothing."""
        self.performance.apply(command, self.rendered, client)
        self._note(Move(self.rendered, command, client, self.performance.running))

    def reset(self, lane: str) -> None:
        """Send a lane to its first step."""
        self.renderer.reset(lane)
        self._note(Reset(self.rendered, lane))

    def _note(self, change: Change) -> None:
        if self._catch_up is not None:
            self._catch_up.note(change)

    def _to_line(self, start: int, end: int) -> int:
        """Rendering stops at a bar line where the exact way may take over."""
        bar = self.score.spec.bar_ticks
        line = (start // bar + 1) * bar
        near = line < end and self._catch_up is not None and self._catch_up.near(start)
        return line if near else end

    @property
    def may_join(self) -> bool:
        """Whether what has caught up may take over right where rendering has come to."""
        catch_up, at = self._catch_up, self.rendered
        if catch_up is None or at % self.score.spec.bar_ticks or at == self._passed:
            return False
        return not self.swap_due and catch_up.near(at)

    def pass_line(self) -> None:
        """There is no room to take over at this bar line."""
        self._passed = self.rendered
        if self._catch_up is not None:
            self._catch_up.lines += 1

    def join(self) -> Iterator[Item]:
        """Have what has caught up take over at `rendered`; values that stand elsewhere then."""
        assert self._catch_up is not None
        exact = self._catch_up.finish(self.rendered)
        self._give_up()
        yield from self.change_place(lambda: self.renderer.take_over(exact))

    def change_place(self, change: Callable[[], None]) -> Iterator[Item]:
        """What outputs hold after the renderer has been put elsewhere, and did not before."""
        before = self.values()
        change()
        self.performance.settle(self.rendered)
        for item in self.standing(self.rendered):
            if item.output is not None and before.get(item.output) != item.value:
                yield item

    def _item(self, event: Event, bpm: float) -> Item:
        output, lane = event.output, event.lane
        owner = self.names[lane] if lane >= 0 else self._macros[-1 - lane]
        if event.kind == "hit":
            early = 0 if output is None else self._early.get(output, 0)
            width = 0 if output is None else self._width(output, lane, bpm)
            return Item(
                "on",
                event.tick,
                lane,
                owner,
                output,
                event.value,
                event.length,
                "hit",
                early,
                width,
            )
        early = 0 if output is None else self._value_early.get(output, 0)
        return Item(
            "value",
            event.tick,
            lane,
            owner,
            output,
            event.value,
            0,
            event.kind,
            early + self._timing.lead_ns,
        )

    def _width(self, output: str, lane: int, bpm: float) -> int:
        """Width of a pulse in ns, at most half a step; 0 where the gate length counts."""
        width = self._widths.get(output, 0)
        step = self._steps[lane]
        if not width or step is None:
            return width
        return max(1, min(width, int(step * NS_PER_TICK_AT_1_BPM / Fraction(bpm) / 2)))

    # --- another score --------------------------------------------------------------------------

    @property
    def swap_waits(self) -> bool:
        return self._swap is not None

    @property
    def swap_due(self) -> bool:
        """Whether another score takes over right where rendering has come to."""
        swap = self._swap
        return swap is not None and swap.at is not None and swap.at <= self.rendered

    def swap(
        self,
        score: Score,
        revision: int,
        when: str,
        playing: bool,
        renamed: Names | None = None,
        parts: Mapping[str, object] | None = None,
    ) -> None:
        """Takes another score from the next ``step``, ``beat`` or ``bar`` on. `renamed` says what
        has another name in it; `parts` of a performance are put back with it (see
        `bridge.music.snapshot`)."""
        spec = score.spec
        at = swap_tick(self.rendered, when, spec)
        names = renamed or {}
        waiting = self._swap
        if waiting is not None:  # that one never comes: what it brought comes with this one
            names = _chained(waiting.renamed, names)
            parts = {**waiting.parts, **(parts or {})}
        renderer = Renderer(score, Performance(score))
        self._swap = _Swap(renderer, revision, at if playing else None, names, parts or {})

    def change_score(self) -> Iterator[Item]:
        """Makes the waiting swap now. Lanes of the same name keep their place; those that are gone
        are closed, and level outputs that nothing drives any more go to rest."""
        assert self._swap is not None
        swap, self._swap = self._swap, None
        renderer, self.revision = swap.renderer, swap.revision
        score, performance = renderer.score, renderer.performance
        old, old_names, driven = self.renderer, self.names, set(self.values())
        state, running = self.performance.state(), self.performance.running
        performance.running = running
        go_on(performance, state, swap.renamed, swap.parts, self.rendered)
        self._take(renderer)
        self._note(Swapped(self.rendered, score, swap.renamed, swap.parts))
        lanes = swap.renamed.get("lanes", {})
        self.renderer.adopt(old, lanes)
        for name in old_names:
            if after(name, lanes) != name or name not in score.positions:
                yield Item("mute", self.rendered, owner=name)
        for output in sorted(driven - set(self.values())):
            wired = self._outputs.get(output)
            if wired is not None and wired.output.kind == "level":
                yield Item(
                    "value", self.rendered, output=output, value=wired.output.rest, kind="level"
                )
