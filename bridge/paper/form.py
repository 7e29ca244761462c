"""How a set goes over its running order: what is new, what repeats, where it is thick or high.

Bars are compared by what a listener would write down: which lane hits where on the grid, and which
notes sound. Levels, volts, swing, shift and humanise do not make a bar another one, so the figures
are on the safe side.
"""

from __future__ import annotations

import statistics
from collections import Counter
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import NamedTuple

from bridge.errors import BridgeError
from bridge.files.rig import Rig
from bridge.music.event import Event
from bridge.music.model import Entry, SetSpec
from bridge.music.performance import Performance
from bridge.music.render import Renderer
from bridge.music.score import Score, compile_score
from bridge.paper.course import Course, as_written, counted, of_order

SECTION_BARS = 8  # of each section, where the set has no running order
OPENING_BARS = 16  # of a set without sections
MOST_BARS = 4096
LONGEST_PERIOD = 8
"""Bars of the longest phrase that is looked for when a stretch repeats."""
HARDLY = 0.25
"""Two sections that differ by less hardly differ (our judgement, no source)."""
STEPS_A_BEAT = 4


class Token(NamedTuple):
    """One thing played within a bar: by the lane at position `lane`, on the grid at tick `place` of
    the bar, with the `notes` that sound; `again` counts the repeats within a step."""

    lane: int
    place: int
    notes: tuple[int, ...] = ()
    again: int = 0


Bar = frozenset[Token]
Habit = tuple[Hashable, ...]
"""Something that sections have more or less of: a lane that hits at a place, a note of a lane."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """Bars that are the same phrase over and over: `bars` of them from `first` (counted from 0),
    the phrase `period` bars long. No bars: nothing repeats."""

    first: int = 0
    bars: int = 0
    period: int = 0


@dataclass(frozen=True, slots=True)
class Part:
    """Some lanes over the whole way: everything, a group, or one lane.

    `heard` counts the bars in which something of it sounds, `distinct` how many different ones are
    among them; `again` is its longest stretch that repeats.
    """

    name: str
    hits_a_bar: float
    heard: int
    distinct: int
    again: Stretch

    @property
    def share(self) -> float:
        """Distinct bars of those heard, 0 to 1."""
        return self.distinct / self.heard if self.heard else 0.0


@dataclass(frozen=True, slots=True)
class Passage:
    """One entry of the running order.

    `density` is the share of sixteenths on which something hits, `register` the lowest, middle and
    highest note that sounds (None: none does). `differs` says how far it is from the entry before,
    0 (the same) to 1 (nothing in common); None for the first.
    """

    section: str
    first: int
    bars: int
    hits_a_bar: float
    density: float
    register: tuple[int, int, int] | None
    distinct: int
    lanes: tuple[str, ...]
    differs: float | None


@dataclass(frozen=True, slots=True)
class Form:
    """A set over its running order. `by_lane` has the bars of each lane that sounds, `alike` the
    pairs of sections that hardly differ, `silent` the lanes with an output that never sound;
    `score`, `course` and `events` are what was played."""

    spec: SetSpec
    way: str
    bars: int
    seconds: float
    whole: Part
    groups: tuple[Part, ...]
    lanes: tuple[Part, ...]
    passages: tuple[Passage, ...]
    alike: tuple[tuple[str, str, float], ...]
    silent: tuple[str, ...]
    by_lane: dict[str, tuple[Bar, ...]]
    score: Score
    course: Course
    events: tuple[Event, ...]


def form_of(
    spec: SetSpec, rig: Rig, bars: int | None = None, done: Callable[[int], None] = lambda bar: None
) -> Form:
    """Play a set offline over its running order and say how it goes.

    Args:
        spec: the set; without a running order its sections are played one after another, without
            sections it is played as it opens.
        rig: what it plays on.
        bars: how long a section lasts where there is no running order, or the set as it opens.
        done: told how many bars have been played.

    Raises:
        InputError: the set does not fit the rig.
        BridgeError: it would be longer than `MOST_BARS` bars.
    """
    spec, course, way = _way(spec, bars)
    if course.bars > MOST_BARS:
        raise BridgeError(f"{spec.name}: {course.bars} bars are too many; {MOST_BARS} are possible")
    score = compile_score(spec, rig.ranges)
    performance = Performance(score)
    for command in course.commands:
        performance.apply(command, 0)
    end = course.bars * spec.bar_ticks
    renderer, events = Renderer(score, performance), list[Event]()
    for bar in range(1, course.bars + 1):
        events += (e for e in renderer.advance(bar * spec.bar_ticks) if e.grid < end)
        done(bar)
    played = bars_of(score, events, course.bars)
    by_lane = {lane.name: tuple(only(played, {place})) for place, lane in enumerate(score.lanes)}
    by_lane = {name: own for name, own in by_lane.items() if any(own)}
    members = {
        group: {place for place, lane in enumerate(score.lanes) if group in lane.groups}
        for group in sorted({group for lane in spec.lanes for group in lane.groups})
    }
    return Form(
        spec,
        way,
        len(played),
        course.seconds(course.bars * spec.bar_ticks),
        part("everything", played),
        tuple(part(group, only(played, places)) for group, places in members.items()),
        tuple(part(name, own) for name, own in by_lane.items()),
        tuple(_passages(score, course, played)),
        tuple(_alike(spec, course, played)),
        tuple(_silent(score, events)),
        by_lane,
        score,
        course,
        tuple(events),
    )


def _way(spec: SetSpec, bars: int | None) -> tuple[SetSpec, Course, str]:
    if spec.order:
        spec = counted(spec)
        return spec, of_order(spec), "the running order"
    if spec.sections:
        each = bars or SECTION_BARS
        order = tuple(Entry(section.name, each) for section in spec.sections)
        spec = replace(spec, order=order)
        return spec, of_order(spec), f"no running order: each section for {each} bars"
    opening = replace(as_written(spec), bars=bars or OPENING_BARS)
    return spec, opening, "no sections: as the set opens"


# --- bars ----------------------------------------------------------------------------------------


def bars_of(score: Score, events: Iterable[Event], bars: int) -> list[Bar]:
    """What is played in each bar.

    A hit carries the notes of the pitch lanes that move with it, so the same rhythm with another
    note is another bar. A pitch lane that no sounding lane of hits moves counts by itself, at each
    new note.
    """
    with_hits = followers(score)
    followed = {pitch for pitches in with_hits.values() for pitch in pitches}
    found: list[set[Token]] = [set() for _ in range(bars)]
    notes: dict[int, int] = {}
    for event in events:
        bar, place = divmod(event.grid, score.spec.bar_ticks)
        if event.output is None or event.lane < 0 or not 0 <= bar < bars:
            continue
        if event.kind == "hit":
            sung = tuple(notes[p] for p in with_hits.get(event.lane, ()) if p in notes)
            token = Token(event.lane, place, sung)
            while token in found[bar]:
                token = token._replace(again=token.again + 1)
            found[bar].add(token)
        elif event.kind == "pitch":
            note = round(event.value)
            if note != notes.get(event.lane):
                notes[event.lane] = note
                if event.lane not in followed:
                    found[bar].add(Token(event.lane, place, (note,)))
    return [frozenset(bar) for bar in found]


def followers(score: Score) -> dict[int, list[int]]:
    """Lanes of hits with an output, and the pitch lanes that move with each."""
    found: dict[int, list[int]] = {}
    for place, lane in enumerate(score.lanes):
        if lane.out is None or score.outputs[lane.out].kind != "pitch":
            continue
        for read in score.reads[place]:
            if score.lanes[read].hits and score.lanes[read].out is not None:
                found.setdefault(read, []).append(place)
    return found


def only(bars: Sequence[Bar], places: set[int]) -> list[Bar]:
    """The same bars with some lanes (by position) alone."""
    return [frozenset(token for token in bar if token.lane in places) for bar in bars]


def part(name: str, bars: Sequence[Bar]) -> Part:
    """The figures of some bars."""
    heard = [bar for bar in bars if bar]
    hits = sum(map(len, heard)) / len(heard) if heard else 0.0
    return Part(name, hits, len(heard), len(set(heard)), again(bars))


def again(bars: Sequence[Bar]) -> Stretch:
    """The longest stretch that is one phrase over and over, silence aside.

    A phrase has 1 to `LONGEST_PERIOD` bars and must come twice at least, whole. Of equally long
    stretches that of the shortest phrase counts, then the first.
    """
    best = Stretch()
    for period in range(1, LONGEST_PERIOD + 1):
        begin = 0
        for bar in range(period, len(bars) + 1):
            if bar < len(bars) and bars[bar] == bars[bar - period]:
                continue
            length = bar - begin
            if length >= 2 * period and length > best.bars and any(bars[begin:bar]):
                best = Stretch(begin, length, period)
            begin = bar - period + 1
    return best


# --- sections ------------------------------------------------------------------------------------


def _passages(score: Score, course: Course, bars: Sequence[Bar]) -> Iterable[Passage]:
    before: Counter[Habit] | None = None
    step = score.spec.beat_ticks / STEPS_A_BEAT
    for name, first, last in _entries(score.spec, course):
        own = bars[first:last]
        here = _habits(own)
        tokens = [token for bar in own for token in bar]
        notes = [note for token in tokens for note in token.notes]
        steps = {(number, token.place // step) for number, bar in enumerate(own) for token in bar}
        names = dict.fromkeys(sorted({token.lane for token in tokens}))
        yield Passage(
            name,
            first,
            len(own),
            len(tokens) / len(own),
            len(steps) * step / (len(own) * score.spec.bar_ticks),
            (min(notes), round(statistics.median(notes)), max(notes)) if notes else None,
            len(set(own)),
            tuple(score.lanes[place].name for place in names),
            None if before is None else difference(before, here),
        )
        before = here


def _entries(spec: SetSpec, course: Course) -> Iterable[tuple[str, int, int]]:
    """The entries of the way: a section (or nothing), its first bar and the one after its last."""
    marks = [(tick // spec.bar_ticks, name) for tick, name in course.markers] or [(0, "")]
    ends = [bar for bar, _ in marks[1:]] + [course.bars]
    for (first, name), last in zip(marks, ends, strict=True):
        yield name, first, last


def _alike(spec: SetSpec, course: Course, bars: Sequence[Bar]) -> Iterable[tuple[str, str, float]]:
    """Pairs of sections that hardly differ, over all the bars of each."""
    own: dict[str, list[Bar]] = {}
    for name, first, last in _entries(spec, course):
        own.setdefault(name, []).extend(bars[first:last])
    habits = {name: _habits(played) for name, played in own.items()}
    for one, other in combinations(habits, 2):
        differs = difference(habits[one], habits[other])
        if differs < HARDLY:
            yield one, other, differs


def _habits(bars: Sequence[Bar]) -> Counter[Habit]:
    """How often, in a bar, each lane hits at each place, and each note sounds."""
    found: Counter[Habit] = Counter()
    for bar in bars:
        for token in bar:
            found[token.lane, "at", token.place, token.again] += 1
            for note in token.notes:
                found[token.lane, "note", note] += 1
    return Counter({key: count / len(bars) for key, count in found.items()})


def difference(one: Mapping[Habit, float], other: Mapping[Habit, float]) -> float:
    """The weighted Jaccard distance (Ruzicka): 0 the same, 1 nothing in common."""
    keys = one.keys() | other.keys()
    both = sum(min(one.get(key, 0.0), other.get(key, 0.0)) for key in keys)
    either = sum(max(one.get(key, 0.0), other.get(key, 0.0)) for key in keys)
    return 1.0 - both / either if either else 0.0


# --- the rest ------------------------------------------------------------------------------------


def _silent(score: Score, events: Sequence[Event]) -> Iterable[str]:
    """Lanes with an output that never sound: no hit, no note, or a level that never moves."""
    hits = {event.lane for event in events if event.kind == "hit"}
    moves = Counter(event.output for event in events if event.kind != "hit")
    for place, lane in enumerate(score.lanes):
        if lane.out is None:
            continue
        least = 2 if score.outputs[lane.out].kind == "level" else 1
        if place not in hits if lane.hits else moves[lane.out] < least:
            yield lane.name
