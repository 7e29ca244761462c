"""The score: a set made ready to play. Names are resolved, lanes put into the order they depend on.

`compile_score` finds every mistake that only shows once lanes are seen together: names that do not
exist, wrong logic, lanes that wait for each other. A `Score` does not change after that; it can be
pickled and sent to another process, and a renderer answers for any span of it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise

from bridge.errors import InputError, Problem, did_you_mean
from bridge.music.comparators import COMPARATORS
from bridge.music.logic_parse import OPERATORS, LogicError, Term, parse
from bridge.music.logic_tree import is_state
from bridge.music.model import SIXTEENTH, Lane, Logic, OutputRange, Section, SetSpec, kind_of
from bridge.music.value_node import note_like

Keys = tuple[str | int, ...]


@dataclass(frozen=True)
class Score:
    """
    A compiled set.

    `positions` finds a lane by name; `order` is the order of evaluation (positions of `lanes`);
    `terms` holds the logic of derived lanes by position; `steps` what one step of each lane is, in
    ticks (of a lane moved by another: that lane's); `reads` what each lane depends on; `states`
    names the derived lanes on steps that may be true where nothing hits. `variants` has, by the
    position of a section, the score while that section lasts; None where it only changes numbers.
    """

    spec: SetSpec
    outputs: Mapping[str, OutputRange]
    positions: Mapping[str, int]
    order: tuple[int, ...]
    terms: Mapping[int, Term]
    steps: tuple[Fraction, ...]
    reads: tuple[tuple[int, ...], ...]
    lanes: tuple[Lane, ...] = field(default=())
    states: frozenset[str] = frozenset()
    variants: tuple[Score | None, ...] = ()

    @property
    def forms(self) -> tuple[Score, ...]:
        """This score and all its variants."""
        return (self, *(variant for variant in self.variants if variant is not None))

    def form(self, section: int | None) -> Score:
        """The score while the section at a position lasts; None: as the set is written."""
        variant = None if section is None else self.variants[section]
        return self if variant is None else variant


def compile_score(spec: SetSpec, outputs: Mapping[str, OutputRange]) -> Score:
    """
    Make a set ready to play.

    Args:
        spec: the set.
        outputs: those that its lanes may name, by full name: ``main.gate-1``.

    Raises:
        InputError: every problem found, with `Problem.keys` as in the set file.
    """
    return _Compiler(spec, outputs).compile()


class _Compiler:
    def __init__(self, spec: SetSpec, outputs: Mapping[str, OutputRange]) -> None:
        self.spec = spec
        self.outputs = outputs
        self.problems: list[Problem] = []
        self.positions = {lane.name: place for place, lane in enumerate(spec.lanes)}
        self.terms: dict[int, Term] = {}
        # What a lane reads: (position, the keys of the set file that say so).
        self.needs: list[list[tuple[int, Keys]]] = [[] for _ in spec.lanes]
        # What it reads only as it was on an earlier step: no order is needed for that.
        self.earlier: list[list[int]] = [[] for _ in spec.lanes]

    def compile(self) -> Score:
        self._names_once()
        for place, lane in enumerate(self.spec.lanes):
            self._lane(place, lane)
        self._drives()
        order = self._order()
        if any(self.earlier) and not self.problems:
            order = self._circles(order)
        variants = () if self.problems else tuple(map(self._variant, self.spec.sections))
        if self.problems:
            raise InputError(self.problems)
        return Score(
            spec=self.spec,
            outputs=dict(self.outputs),
            positions=dict(self.positions),
            order=order,
            terms=dict(self.terms),
            steps=tuple(self._step(lane) for lane in self.spec.lanes),
            reads=self._reads_of(),
            lanes=tuple(self.spec.lanes),
            states=self._states(order),
            variants=variants,
        )

    def _variant(self, section: Section) -> Score | None:
        """The score while a section lasts."""
        if not section.rewrites:
            return None
        top: Keys = ("sections", section.name)
        spec = self.spec.within(section)
        try:
            score = compile_score(spec, self.outputs)
        except InputError as error:
            for problem in error.problems:
                owned = problem.keys[1:2] and problem.keys[1] in section.written
                self.problem(problem.message, (*top, *problem.keys) if owned else (*top, "lanes"))
            return None
        pitches = frozenset(name for name, out in self.outputs.items() if out.kind == "pitch")
        for before, lane in zip(self.spec.lanes, spec.lanes, strict=True):
            if before.hits is not lane.hits:
                words = [f"a lane of {'hits' if one.hits else 'values'}" for one in (before, lane)]
                message = f"is {words[0]} in the set and cannot be {words[1]} in a section"
                self.problem(message, (*top, "lanes", lane.name, lane.kind))
            elif note_like(before, self.spec, pitches) is not note_like(lane, spec, pitches):
                message = "has notes in the set or in the section, and levels in the other"
                self.problem(f"{lane.name} {message}", (*top, "lanes", lane.name))
        return score

    def problem(self, message: str, keys: Keys) -> None:
        path = ".".join(str(key) for key in keys)
        self.problems.append(Problem(message, path=path, keys=keys))

    def _unknown(self, name: str, keys: Keys) -> None:
        self.problem(f"no lane is called {name!r}{did_you_mean(name, self.positions)}", keys)

    def _names_once(self) -> None:
        for place, lane in enumerate(self.spec.lanes):
            if self.positions[lane.name] != place:
                self.problem(f"two lanes are called {lane.name!r}", ("lanes", lane.name))

    # --- what a lane reads ---

    def _lane(self, place: int, lane: Lane) -> None:
        source = lane.source
        if isinstance(source, Logic):
            self._logic(place, lane, source)
        moved = "moved" in kind_of(source).traits
        for reference, name in lane.named():
            keys: Keys = ("lanes", lane.name, *reference.keys)
            if reference.keys == ("advance",) and not moved:
                self.problem(_not_moved(lane), keys)
            else:
                self._reads(place, name, reference.takes, keys)

    def _reads(self, place: int, name: str, takes: str, keys: Keys) -> None:
        other = self.positions.get(name)
        if other is None:
            self._unknown(name, keys)
            return
        has_hits = self.spec.lanes[other].hits
        if takes == "hits" and not has_hits:
            self.problem(f"{name!r} is a lane of values; a lane of hits is needed here", keys)
        elif takes == "values" and has_hits:
            self.problem(f"{name!r} is a lane of hits; a lane of values is needed here", keys)
        else:
            self.needs[place].append((other, keys))

    def _logic(self, place: int, lane: Lane, source: Logic) -> None:
        keys: Keys = ("lanes", lane.name, "logic")
        hits = [other.name for other in self.spec.lanes if other.hits]
        try:
            term = parse(source.expression, self.positions, lane.reads)
        except LogicError as error:
            self.problem(f"{source.expression!r}: {error}", keys)
            return
        if source.compare == "gates":
            self._no_comparators(term, keys)
        now = set(term.lanes_now())
        for name in self._right_kinds(term, frozenset(hits), keys):
            if name in OPERATORS:
                self.problem(f"a lane called {name!r} cannot be used in logic", keys)
            elif name not in now:
                self.earlier[place].append(self.positions[name])
            elif name == lane.name:
                self.problem(f"{name!r} names itself in its logic; {_one_step(name)}", keys)
            else:
                self.needs[place].append((self.positions[name], keys))
        self.terms[place] = term

    def _right_kinds(self, term: Term, hits: frozenset[str], keys: Keys) -> Iterator[str]:
        """The lanes that an expression reads, without those that are of the wrong kind there."""
        wrong = set()
        for leaf in term.leaves():
            if leaf.name in wrong or (leaf.op != "line") is (leaf.name in hits):
                continue
            wrong.add(leaf.name)
            if leaf.op != "line":
                message = (
                    f"{leaf.name!r} is a lane of values; logic works on hits, such as those of "
                    f"changed({leaf.name})"
                )
            else:
                message = f"{leaf.name!r} is a lane of hits; its value cannot be compared"
            self.problem(message, keys)
        yield from (name for name in term.lanes() if name not in wrong)
        self._levels(term, hits, keys)

    def _levels(self, term: Term, hits: frozenset[str], keys: Keys) -> None:
        """Levels that a line is compared with must be such as it can have."""
        for part in term.terms:
            self._levels(part, hits, keys)
        line = term.terms[0] if term.terms else term
        if line.op != "line" or line.name in hits or not term.numbers:
            return
        lane = self.spec.lanes[self.positions[line.name]]
        pitches = frozenset(name for name, out in self.outputs.items() if out.kind == "pitch")
        known = lane.out is None or lane.out in self.outputs
        if known and max(term.numbers) > 1 and not note_like(lane, self.spec, pitches):
            self.problem(
                f"{line.name} has levels from -1 to 1; it is never {term.op} "
                f"{float(max(term.numbers)):g}",
                keys,
            )

    def _no_comparators(self, term: Term, keys: Keys) -> None:
        if term.op in COMPARATORS or term.op == "earlier":
            self.problem(
                f"{term.op} looks at the steps of its lane, and gates have none; write it as a "
                "lane of its own, and its name here",
                keys,
            )
        for part in term.terms:
            self._no_comparators(part, keys)

    def _drives(self) -> None:
        """A lane that drives a setting must come before the lane that has it."""
        for place, lane in enumerate(self.spec.lanes):
            for number, drive in enumerate(lane.drives):
                keys: Keys = ("lanes", lane.name, "drives", number, "lane")
                if drive.lane is None:
                    continue
                other = self.positions.get(drive.lane)
                if other is None:
                    self._unknown(drive.lane, keys)
                elif lane.hits:
                    self.problem(
                        f"{lane.name!r} is a lane of hits and has no value to drive with", keys
                    )
                else:
                    self.needs[other].append((place, keys))
        for macro in self.spec.macros:
            for number, drive in enumerate(macro.drives):
                if drive.lane is not None and drive.lane not in self.positions:
                    self._unknown(drive.lane, ("macros", macro.name, "drives", number, "lane"))

    # --- order ---

    def _order(self) -> tuple[int, ...]:
        """Positions so that each lane comes after all it reads; the written order else."""
        order: list[int] = []
        state = [0] * len(self.spec.lanes)  # 0 not seen, 1 on the way here, 2 placed
        way: list[int] = []

        def visit(place: int) -> None:
            stack = [(place, iter(self.needs[place]))]
            state[place] = 1
            way.append(place)
            while stack:
                now, rest = stack[-1]
                for read, keys in rest:
                    if state[read] == 1:
                        self._cycle(way[way.index(read) :], keys)
                    elif state[read] == 0:
                        state[read] = 1
                        way.append(read)
                        stack.append((read, iter(self.needs[read])))
                        break
                else:
                    stack.pop()
                    way.pop()
                    state[now] = 2
                    order.append(now)

        for place in range(len(self.spec.lanes)):
            if state[place] == 0:
                visit(place)
        return tuple(order)

    def _reads_of(self) -> tuple[tuple[int, ...], ...]:
        return tuple(
            tuple(sorted({read for read, _ in need} | set(earlier)))
            for need, earlier in zip(self.needs, self.earlier, strict=True)
        )

    def _circles(self, order: tuple[int, ...]) -> tuple[int, ...]:
        """The order in which also what lanes read of earlier steps comes before them, where it is
        not in a circle with them. Problems of lanes in such a circle."""
        reads = self._reads_of()
        below = [set(some) for some in reads]
        while True:
            wider = [some.union(*(below[read] for read in some)) for some in below]
            if wider == below:
                break
            below = wider
        for place, lane in enumerate(self.spec.lanes):
            gates = isinstance(lane.source, Logic) and lane.source.compare == "gates"
            if place in below[place] and (lane.tie or gates):
                keys: Keys = ("lanes", lane.name, "logic" if gates else "tie")
                self.problem(
                    f"{lane.name} is read by what it reads (with earlier), so how long its gates "
                    "last cannot be known before; "
                    + ("use compare: steps" if gates else "give it a gate length in place of tie"),
                    keys,
                )
        # What a lane reads, without its circle, is always less than what the lane itself reads.
        sizes = [len(some | {place}) for place, some in enumerate(below)]
        return tuple(sorted(order, key=lambda place: (sizes[place], order.index(place))))

    def _states(self, order: Iterable[int]) -> frozenset[str]:
        states: frozenset[str] = frozenset()
        for place in order:
            lane = self.spec.lanes[place]
            on_steps = isinstance(lane.source, Logic) and lane.source.compare == "steps"
            if on_steps and is_state(self.terms[place], states):
                states |= {lane.name}
        return states

    def _cycle(self, places: Iterable[int], keys: Keys) -> None:
        names = [self.spec.lanes[place].name for place in places]
        if len(names) == 1:
            self.problem(f"{names[0]!r} waits for itself", keys)
            return
        circle = " reads ".join([*names, names[0]])
        hint = ""
        for now, then in pairwise([*names, names[0]]):
            place = self.positions[now]
            if place in self.terms and then in self.terms[place].lanes_now():
                hint = f"; in {now}, {_one_step(then)}"
        self.problem(f"these lanes wait for each other: {circle}{hint}", keys)

    def _step(self, lane: Lane) -> Fraction:
        seen = {lane.name}
        while isinstance(lane.advance, str):
            lane = self.spec.lanes[self.positions[lane.advance]]
            if lane.name in seen:
                break
            seen.add(lane.name)
        return SIXTEENTH if isinstance(lane.advance, str) else Fraction(lane.advance)


def _one_step(name: str) -> str:
    return f"earlier({name}) reads what it did one step before"


def _not_moved(lane: Lane) -> str:
    """Why a lane that other hits make sound or sample cannot be moved on by a lane as well."""
    if lane.hits:
        return (
            "a derived lane hits where its logic says and is not moved by another; a rate gives it "
            "the length of its steps"
        )
    return (
        f"a lane of {lane.kind} moves with the hits that its {lane.kind} names, not with those of "
        "another; a rate gives it the length of its steps"
    )
