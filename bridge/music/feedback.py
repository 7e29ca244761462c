"""Lanes that look back (`earlier`) on the way to a far place, many steps at once.

What such lanes do in a step follows from what they did in their last few steps and from what comes
in; of both there are few combinations. So each of them is worked out once, as for the states of a
shift register, and then looked up. Lanes in a circle are gone through together.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import NamedTuple

from bridge.music.logic import LogicNode
from bridge.music.logic_parse import Term
from bridge.music.memory import steps_back
from bridge.music.node import BOTH, WRITTEN, Hit, Node, Passing, Window
from bridge.music.step_hits import StepHits, everywhere
from bridge.music.tally import JOINING, joined
from bridge.music.ticks import first_step_from, step_tick

_COMPARING = ("lane", "earlier", *JOINING)
_MOST_KNOWN = 50_000
"""So many combinations are kept."""
_BITS = 8
"""What comes in is a byte a step where it has room there."""
_ROW = 16
_MOST_ROWS = 64
"""So many rows of steps are kept, with what was remembered before them."""

_Row = tuple[list[bytes], int]
"""By member, what it does in each of some steps; and what is remembered after the last of them."""


class _Now(NamedTuple):
    """What comes in: a lane at the same tick, read before its mute or after it."""

    lane: int
    before: bool


class _Then(NamedTuple):
    """What comes in: a lane as it was so many steps before. `always`: whether it was heard does not
    matter to the member (by its place among the members) that reads it."""

    member: int
    name: str
    back: int
    always: bool


class _Field(NamedTuple):
    """Where the state has what a member (by its place) remembers of a lane of the circle: two bits
    a step, the newest lowest: whether it has hit, and whether that was heard."""

    member: int
    lane: int
    name: str
    shift: int
    steps: int


class Feedback:
    """Lanes of one rate that look back, at themselves or at one another.

    Attributes:
        lanes: their positions.
    """

    due = -1

    def __init__(self, nodes: Sequence[LogicNode]) -> None:
        """`nodes` stand in the order in which they depend on one another within a tick."""
        self.nodes = tuple(nodes)
        self.lanes = tuple(node.lane for node in nodes)
        self.lane = self.lanes[0]
        self.reads = tuple(sorted({read for node in nodes for read in node.reads}))
        self.step = nodes[0].step
        self._terms = [node.expression.term for node in nodes]
        self._members = {lane: member for member, lane in enumerate(self.lanes)}
        self._fields: dict[tuple[int, str], _Field] = {}
        self._width = 0
        for member, node in enumerate(nodes):
            if node.memory is not None:
                for place, name in node.memory.places.items():
                    if place in self._members:
                        steps = node.memory.reach[name]
                        field = _Field(member, place, name, self._width, steps)
                        self._fields[member, name] = field
                        self._width += 2 * steps
        self._slots: dict[_Now | _Then, int] = {}
        for member, term in enumerate(self._terms):
            for slot in self._incoming(member, term):
                self._slots.setdefault(slot, 2 * len(self._slots))
        self._mutes: tuple[bool, ...] = ()
        self._known = _Known(self)
        self._known_rows: dict[tuple[bytes | tuple[int, ...], int], _Row] = {}

    def fits(self, window: Window) -> bool:
        """Whether nothing but hits decides in a window what these lanes do."""
        for node in self.nodes:
            if node.version != window.version:
                node.read_all(window)
            varies = {"chance", "density"}.intersection(node.varying_hit_settings)
            by_hand = window.reset_by_hand(node.lane) > node.hand
            if varies or by_hand or node.leaves_out:
                return False
        return True

    # --- what an expression says ---

    def _incoming(self, member: int, term: Term) -> Iterator[_Now | _Then]:
        if term.op == "lane":
            lane = self.nodes[member].positions[term.name]
            if lane not in self._members:
                yield _Now(lane, term.before_mute)
        elif term.op == "earlier":
            if (member, term.terms[0].name) not in self._fields:
                yield self._then(member, term)
        else:
            for part in term.terms:
                yield from self._incoming(member, part)

    def _then(self, member: int, term: Term) -> _Then:
        past = term.terms[0]
        own = past.name == self.nodes[member].written_lane.name
        return _Then(member, past.name, steps_back(term), past.before_mute or own)

    def _said(
        self, member: int, term: Term, incoming: int, state: int | None, now: Sequence[int]
    ) -> int:
        """
        What a term says at a tick, as `WRITTEN` and `SOUNDING`.

        Args:
            member: whose term it is.
            term: the term.
            incoming: two bits for each slot.
            state: what is remembered; None between two steps.
            now: what the members before this one do at the tick.
        """
        if term.op == "lane":
            lane = self.nodes[member].positions[term.name]
            inside = self._members.get(lane)
            if inside is None:
                return incoming >> self._slots[_Now(lane, term.before_mute)] & BOTH
            muted = self._mutes[inside] and not term.before_mute
            return now[inside] & WRITTEN if muted else now[inside]
        if term.op == "earlier":
            if state is None:
                return 0
            then = self._then(member, term)
            field = self._fields.get((member, then.name))
            if field is None:
                return incoming >> self._slots[then] & BOTH
            entry = state >> field.shift + 2 * (then.back - 1)
            return _value(bool(entry & 1), bool(entry & 2) or then.always)
        parts = [self._said(member, part, incoming, state, now) for part in term.terms]
        return joined(term, parts, BOTH)

    def said(self, incoming: int, state: int | None) -> list[int]:
        """What the members do at a tick; see `_said`."""
        now: list[int] = []
        for member, term in enumerate(self._terms):
            now.append(self._said(member, term, incoming, state, now))
        return now

    def step_on(self, incoming: int, state: int) -> int:
        """What is remembered after a step, and above it two bits for what each member did."""
        now = self.said(incoming, state)
        then = 0
        for field in self._fields.values():
            kept = state >> field.shift & (1 << 2 * field.steps - 2) - 1
            then |= kept << 2 + field.shift
        then |= self._entries(now)
        for member, value in enumerate(now):
            then |= value << self._width + 2 * member
        return then

    def _entries(self, now: Sequence[int]) -> int:
        """What is remembered of the newest step, where the members do this."""
        found = 0
        for field in self._fields.values():
            member = self._members[field.lane]
            if now[member] & WRITTEN:
                found |= (1 if self._mutes[member] else 3) << field.shift
        return found

    # --- a window ---

    def run(self, window: Window) -> None:
        """Go through a window that `fits`."""
        mutes = tuple(window.muted(lane, window.start) for lane in self.lanes)
        if mutes != self._mutes or len(self._known) > _MOST_KNOWN:
            self._mutes = mutes
            self._known, self._known_rows = _Known(self), {}
        first = first_step_from(window.start, self.step)
        end = first_step_from(window.end, self.step)
        on, between = self._coming(window, first, end)
        state, made = self._before(first), [bytearray() for _ in self.nodes]
        extra: list[tuple[int, list[int]]] = []
        at = 0
        for stop in sorted({*between, end - 1}):
            state = self._go_through(on[at : stop + 1 - first], state, made)
            at = stop + 1 - first
            for tick in sorted(between.get(stop, ())):
                now = self.said(between[stop][tick], None)
                state |= self._entries(now)
                extra.append((tick, now))
        for member, node in enumerate(self.nodes):
            hits: Sequence[Hit] = StepHits(bytes(made[member]), first, self.step, 0)
            if any(now[member] for _, now in extra):
                more = (
                    Hit(tick, tick, 0.0, 1, exists_in=now[member])
                    for tick, now in extra
                    if now[member]
                )
                hits = sorted([*hits, *more])
            window.hits[node.lane] = hits
            node.index, node.due = end, -1

    def _go_through(self, on: Sequence[int], state: int, made: Sequence[bytearray]) -> int:
        """
        Go through some steps, many of them at once where they have come before.

        Args:
            on: what comes in, by step.
            state: what is remembered before the first of them.
            made: by member, what it does in each step is put at the end.

        Returns:
            What is remembered after the last of them.
        """
        known, rows = self._known_rows, []
        steps = bytes(on) if isinstance(on, bytearray) else tuple(on)
        for begin in range(0, len(steps), _ROW):
            part = steps[begin : begin + _ROW]
            row = known.get((part, state))
            if row is None:
                row = self._row(part, state)
                if len(known) < _MOST_ROWS:
                    known[part, state] = row
            flags, state = row
            rows.append(flags)
        for member, all_flags in enumerate(made):
            all_flags += b"".join([flags[member] for flags in rows])
        return state

    def _row(self, on: Sequence[int], state: int) -> _Row:
        """What the members do in some steps that follow one another, and what is remembered then;
        see `_go_through`."""
        known, mask, done = self._known, (1 << self._width) - 1, []
        for incoming in on:
            then = known[incoming, state]
            done.append(then >> self._width)
            state = then & mask
        members = range(len(self.nodes))
        return [bytes([then >> 2 * member & BOTH for then in done]) for member in members], state

    def _before(self, first: int) -> int:
        """What is remembered just before the step `first`."""
        state = 0
        for field in self._fields.values():
            memory = self.nodes[field.member].memory
            assert memory is not None
            for tick, heard in memory.past(field.name):
                back = first - self._index(tick)
                if 0 < back <= field.steps:
                    state |= (3 if heard else 1) << field.shift + 2 * (back - 1)
        return state

    def _coming(
        self, window: Window, first: int, end: int
    ) -> tuple[bytearray | list[int], dict[int, dict[int, int]]]:
        """What comes in: at each step from `first` to before `end`, and between two steps, by the
        step before and by tick."""
        few = 2 * len(self._slots) <= _BITS
        on: bytearray | list[int] = bytearray(end - first) if few else [0] * (end - first)
        between: dict[int, dict[int, int]] = {}
        for slot, shift in self._slots.items():
            if isinstance(slot, _Now):
                full = not window.muted(slot.lane, window.start) or slot.before
                heard = BOTH if full else WRITTEN
                hits = window.hits.get(slot.lane, ())
                if self._at_once(on, hits, -first, heard, shift):
                    continue
                for tick, bits in _places(hits):
                    index = self._index(tick)
                    if step_tick(index, self.step) == tick:
                        on[index - first] |= (bits & heard) << shift
                    else:
                        then = between.setdefault(index, {})
                        then[tick] = then.get(tick, 0) | (bits & heard) << shift
                continue
            self._coming_then(window, slot, on, first, shift)
        return on, between

    def _coming_then(
        self, window: Window, slot: _Then, on: bytearray | list[int], first: int, shift: int
    ) -> None:
        """Put into `on` what comes in of a lane as it was some steps before."""
        memory = self.nodes[slot.member].memory
        assert memory is not None
        lane = next(place for place, name in memory.places.items() if name == slot.name)
        hits, known = window.hits.get(lane, ()), list(memory.past(slot.name))
        unmuted = not window.muted(lane, window.start)
        value = _value(True, unmuted or slot.always)
        new = memory.since <= window.start
        if not (new and self._at_once(on, hits, slot.back - first, value, shift, alike=True)):
            known += [
                (tick, unmuted)
                for tick, bits in _places(hits)
                if bits & WRITTEN and tick >= memory.since
            ]
        for tick, was_heard in known:
            index = self._index(tick) + slot.back - first
            if 0 <= index < len(on):
                on[index] |= _value(True, was_heard or slot.always) << shift

    def _at_once(
        self,
        on: bytearray | list[int],
        hits: Sequence[Hit],
        back: int,
        value: int,
        shift: int,
        *,
        alike: bool = False,
    ) -> bool:
        """
        Put hits on steps of these lanes into `on`, all at once.

        Args:
            on: what comes in, by step.
            hits: of a lane, in a window.
            back: how many places further than its number a step stands in `on`.
            value: which bits of a hit count.
            shift: by which they are put into a place of `on`.
            alike: each written hit counts as `value`.

        Returns:
            False when the hits are not known to lie on the steps; then nothing was done.
        """
        if not isinstance(hits, StepHits) or not isinstance(on, bytearray):
            return False
        if hits.step % self.step or hits.origin % self.step:
            return False
        apart = int(hits.step / self.step)
        begin = int(hits.origin / self.step) + hits.first * apart + back
        if begin < 0:
            return False
        places = slice(begin, begin + len(hits.flags) * apart, apart)
        here = on[places]
        bits = int.from_bytes(hits.flags[: len(here)], "little")
        bits &= everywhere(WRITTEN if alike else value, len(here))
        if alike:
            bits *= value
        bits = bits << shift | int.from_bytes(here, "little")
        on[places] = bits.to_bytes(len(here), "little")
        return True

    def _index(self, tick: int) -> int:
        """The number of the step that a tick lies in."""
        return first_step_from(tick + 1, self.step) - 1


class _Known(dict[tuple[int, int], int]):
    """What `step_on` says, by what comes in and what is remembered."""

    def __init__(self, feedback: Feedback) -> None:
        super().__init__()
        self._feedback = feedback

    def __missing__(self, key: tuple[int, int]) -> int:
        done = self[key] = self._feedback.step_on(*key)
        return done


def _value(hit: bool, heard: bool) -> int:
    if not hit:
        return 0
    return BOTH if heard else WRITTEN


def _places(hits: Sequence[Hit]) -> Iterator[tuple[int, int]]:
    """The ticks of hits, and in which music each of them exists."""
    if not isinstance(hits, StepHits):
        yield from ((hit.grid, hit.exists_in) for hit in hits if not hit.repeat)
        return
    step, origin, first = hits.step, hits.origin, hits.first
    whole = step.numerator if step.denominator == 1 else 0
    for place, bits in enumerate(hits.flags, first):
        if bits:
            yield origin + place * whole if whole else step_tick(place, step, origin), bits


# --- which lanes ----------------------------------------------------------------------------------


def circles(
    ordered: Iterable[Node], reads: Sequence[Sequence[int]], passing: Passing
) -> list[Node | Feedback] | None:
    """
    What is to be run of a score on the way: in order, with lanes that look back gone through
    together.

    Args:
        ordered: the nodes, in the order of the score.
        reads: what each lane reads, now or as it was earlier, by position.
        passing: what may be left out.

    Returns:
        None where a lane that looks back must be played step by step.
    """
    below = _below(reads)
    nodes = [node for node in ordered if node.lane not in passing.idle]
    found: list[Node | Feedback] = []
    done: set[int] = set()
    for node in nodes:
        if node.lane in done:
            continue
        lane = node.lane
        circle = [node]
        if lane in below[lane]:
            circle = [n for n in nodes if n.lane in below[lane] and lane in below[n.lane]]
        done.update(n.lane for n in circle)
        if all(not isinstance(n, LogicNode) or n.memory is None for n in circle):
            found += circle
            continue
        members = [n for n in circle if isinstance(n, LogicNode) and _simple(n, passing)]
        if len(members) < len(circle) or len({n.step for n in members}) > 1:
            return None
        found.append(Feedback(members))
    return found


def _below(reads: Sequence[Sequence[int]]) -> Mapping[int, set[int]]:
    """All that each lane reads, directly or not."""
    below = {place: set(some) for place, some in enumerate(reads)}
    changed = True
    while changed:
        changed = False
        for some in below.values():
            wider = some.union(*(below[read] for read in some))
            if len(wider) > len(some):
                some |= wider
                changed = True
    return below


def _simple(node: LogicNode, passing: Passing) -> bool:
    """Whether a lane only compares what hits at a tick, or has hit some steps before."""
    plain = node.reset_by is None and not node.reset_ticks and not node.expression.restless
    counted = node.lane in passing.counted and not node.state_slots
    return plain and counted and _compares(node.expression.term)


def _compares(term: Term) -> bool:
    if term.op == "earlier":
        return True
    return term.op in _COMPARING and all(_compares(part) for part in term.terms)
