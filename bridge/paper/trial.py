"""What only playing shows: some bars are played, as written and in each section.

Two things come of it: outputs that stand at their end for so much of the time that something is
lost, and lanes that never hit.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from bridge.errors import InputError, Problem
from bridge.files.phrases import listed
from bridge.files.reach import Reach
from bridge.files.rig import Rig
from bridge.files.rig_effects import drivers
from bridge.files.set import SetDocument
from bridge.music.event import Event
from bridge.music.logic_parse import Term
from bridge.music.model import Lane, OutputRange, SetSpec
from bridge.music.performance import Performance
from bridge.music.render import Renderer
from bridge.music.score import Score, compile_score
from bridge.music.spelling import spelled
from bridge.music.ticks import position
from bridge.protocol.performing import MoveMacro, Mute, RecallSection
from bridge.voltage.profile import Output, note_of_volts, volts_of_note

BARS = 16
SECTION_BARS = 4
LONG_BARS = 64  # played when a lane has not hit before
# A level that is cut for less of the time than this is an effect; for more, its movement is lost
# (our judgement, no source). A wrong note always matters.
MATTERS = 0.5
ALL_THE_TIME = 0.99


def warnings(rig: Rig, document: SetDocument, bars: int = BARS) -> Iterator[Problem]:
    """What will surprise when it is played; places are still to be looked up."""
    spec = document.spec
    try:
        score = compile_score(spec, unclamped(rig.ranges))
    except InputError:  # the set has been checked: only an output of another kind could do this
        return
    rounds = [Round(None, bars, tuple(played(score, bars)))]
    rounds += [
        Round(section.name, SECTION_BARS, tuple(played(score, SECTION_BARS, section.name)))
        for section in spec.sections
    ]
    said = {problem.keys[1] for problem in document.warnings if "stops at" in problem.message}
    yield from _cut(rig, spec, score, rounds, said)
    yield from _silent(rig, spec, score, rounds)


@dataclass(frozen=True, slots=True)
class Round:
    """What was played: in which section (None: as written), for how long, every lane in."""

    section: str | None
    bars: int
    events: tuple[Event, ...]


@dataclass(frozen=True, slots=True)
class _Open(OutputRange):
    """An output that does not clamp, to see what it is asked for."""

    true_base: float = 0.0
    true_span: float = 5.0

    @property
    def base(self) -> float:
        return self.true_base

    @property
    def span(self) -> float:
        return self.true_span


def unclamped(outputs: Mapping[str, OutputRange]) -> dict[str, OutputRange]:
    """The same outputs without an end to their volts."""
    return {
        name: _Open(name, out.kind, -1e6, 1e6, out.pulse_ms, out.base, out.span)
        for name, out in outputs.items()
    }


def played(
    score: Score,
    bars: int,
    section: str | None = None,
    *,
    out: Iterable[str] = (),
    macros: float | None = None,
) -> list[Event]:
    """The events of the first bars with every lane in but those of `out`; in a section or as
    written, and with all macros at one value or where they stand."""
    performance = Performance(score)
    if section is not None:
        performance.apply(RecallSection(section=section, when="now"), 0)
    muted = frozenset(out)
    for lane in score.lanes:
        away = lane.name in muted
        performance.apply(Mute(lane=lane.name, muted=away), 0)
    if macros is not None:
        for macro in score.spec.macros:
            performance.apply(MoveMacro(macro=macro.name, value=macros), 0)
    return Renderer(score, performance).advance(bars * score.spec.bar_ticks)


# --- outputs at their end ------------------------------------------------------------------------


@dataclass(slots=True)
class _Excess:
    """How long an output is asked beyond one of its ends within a round, how far, and where
    first."""

    section: str | None
    share: float
    most: float
    tick: int
    lane: int


def _cut(
    rig: Rig, spec: SetSpec, score: Score, rounds: list[Round], said: set[str | int]
) -> Iterator[Problem]:
    """One warning at most for each output, about the end and the round that are worst."""
    for name, wired in rig.wired.items():
        out = wired.output
        if out.kind not in ("pitch", "level"):
            continue
        if any(lane.out == name and lane.name in said for lane in spec.lanes):
            continue
        found: list[tuple[float, bool, _Excess]] = []
        for above in (True, False):
            shares = [_excess(out, name, one, spec, above) for one in rounds]
            over = [excess for excess in shares if excess is not None]
            worst = max(over, key=lambda excess: excess.share, default=None)
            if worst is not None and _matters(out, above, worst, len(over) == len(rounds)):
                found.append((worst.share, above, worst))
        if found:
            _, above, excess = max(found, key=lambda one: one[0])
            yield _excess_problem(rig, spec, score, name, above, excess)


def _matters(out: Output, above: bool, excess: _Excess, everywhere: bool) -> bool:
    if out.kind == "pitch":
        return True
    base = 0.0 if min(out.low, out.high) <= 0.0 <= max(out.low, out.high) else out.rest
    end = max(out.low, out.high) if above else min(out.low, out.high)
    if end == base:
        # Down to nothing is what a knob that tames is for, unless nothing is all there ever is.
        return everywhere and excess.share >= ALL_THE_TIME
    return excess.share >= MATTERS


def _excess(out: Output, name: str, one: Round, spec: SetSpec, above: bool) -> _Excess | None:
    low, high = sorted((out.low, out.high))
    end = one.bars * spec.bar_ticks
    found: _Excess | None = None
    moves = [event for event in one.events if event.output == name and event.kind != "hit"]
    for event, until in zip(moves, [*(event.tick for event in moves[1:]), end], strict=False):
        volts = volts_of_note(out, event.value) if event.kind == "pitch" else event.value
        if not (volts > high + 1e-6 if above else volts < low - 1e-6):
            continue
        if found is None:
            found = _Excess(one.section, 0.0, volts, event.tick, event.lane)
        found.share += (min(until, end) - event.tick) / end
        found.most = max(found.most, volts) if above else min(found.most, volts)
    return found


def _excess_problem(
    rig: Rig, spec: SetSpec, score: Score, name: str, above: bool, excess: _Excess
) -> Problem:
    out = rig.wired[name].output
    low, high = sorted((out.low, out.high))
    end = high if above else low
    share = f"{max(excess.share, 0.01):.0%} of the time"
    if excess.section is not None:
        share += f" in section {excess.section}"
    together = drivers(rig, spec)[name]
    ask = "asks for" if len(together) == 1 else "together ask for"
    if out.kind == "pitch":
        last = spelled(min(max(note_of_volts(out, end), 0.0), 127.0), spec)
        side = "above" if above else "below"
        asked = spelled(note_of_volts(out, excess.most), spec)
        message = (
            f"{name} ends at {last} ({end:g} V): {listed(together)} {ask} notes {side} it for "
            f"{share}, as far as {asked}, first at {position(excess.tick, spec.meter).words}"
        )
    else:
        message = (
            f"{name} stands at its end of {end:g} V for {share}: {listed(together)} {ask} up to "
            f"{excess.most:.3g} V"
        )
        if not above:
            message = message.replace("up to", "down to")
    if excess.lane < 0 or score.lanes[excess.lane].out != name:
        return Problem(message, path=name)
    keys = ("lanes", score.lanes[excess.lane].name, "out")
    return Problem(message, ".".join(keys), keys=keys)


# --- lanes that never hit ------------------------------------------------------------------------


def _silent(rig: Rig, spec: SetSpec, score: Score, rounds: list[Round]) -> Iterator[Problem]:
    """Lanes that do not hit at all, and derived ones that a section plays without their sources."""
    reach = Reach(spec, rig)
    heard = {event.lane for one in rounds for event in one.events if event.kind == "hit"}
    waiting = {
        place: lane
        for place, lane in enumerate(score.lanes)
        if lane.hits and place not in heard and _may_hit(reach, lane) and lane.name in reach.used
    }
    for events in _further(reach, score, waiting):
        _hear(events, waiting)
        if not waiting:
            break
    silent = set(waiting)
    only_without = dict(_without(reach, score, waiting))
    names = {lane.name for lane in waiting.values()} | set(only_without)
    for place in sorted(silent):
        lane = score.lanes[place]
        if any(not _reads(reach, name, lane.name) for name in reach.sources[lane.name] & names):
            continue  # it follows from a lane of which this is said
        away = only_without.get(lane.name)
        if away is None:
            message = (
                f"does not hit once, in {LONG_BARS} bars, in any section, or with macros at "
                "their ends"
            )
        elif _listens_for_silence(reach, lane):
            continue
        else:
            message = f"hits only while {away} is muted: with every lane on it never does"
        keys: tuple[str, ...] = ("lanes", lane.name, lane.kind)
        yield Problem(message, ".".join(keys), keys=keys)
    yield from _cut_off(reach, score, silent)


def _reads(reach: Reach, reader: str, name: str) -> bool:
    """Whether a lane reads another, directly or not; lanes that grow may read themselves."""
    seen: set[str] = set()
    waiting = {reader}
    while waiting:
        seen |= waiting
        waiting = {source for one in waiting for source in reach.sources[one]}
        if name in waiting:
            return True
        waiting -= seen
    return False


def _hear(events: Iterable[Event], waiting: dict[int, Lane]) -> None:
    """Take out of `waiting` the lanes that hit."""
    for event in events:
        if event.kind == "hit":
            waiting.pop(event.lane, None)


def _without(reach: Reach, score: Score, waiting: dict[int, Lane]) -> Iterator[tuple[str, str]]:
    """Silent lanes that hit once one of their sources is out, or all are: (lane, what is out).
    They are taken out of `waiting`."""
    sources = sorted({name for lane in waiting.values() for name in reach.sources[lane.name]})
    rounds = [[name] for name in sources]
    if len(sources) > 1:
        rounds.append(sources)
    for out in rounds:
        if not waiting:
            return
        before = dict(waiting)
        _hear(played(score, BARS, out=out), waiting)
        for place in before.keys() - waiting.keys():
            lane = before[place]
            away = [name for name in out if name in reach.sources[lane.name]]
            yield lane.name, listed(away or out)


def _listens_for_silence(reach: Reach, lane: Lane) -> bool:
    """Whether a lane is made for the time when others are out."""

    def within(term: Term) -> bool:
        return term.op == "gap" or any(within(inner) for inner in term.terms)

    return lane.kind == "logic" and within(reach.parsed(lane))


def _may_hit(reach: Reach, lane: Lane) -> bool:
    """False where the file itself says that a lane never hits, or not within the bars played."""
    if lane.passes is not None and lane.passes.of > BARS:
        return False
    return all(reach.may_be(lane, name)[1] > 0.0 for name in ("chance", "density"))


def _further(reach: Reach, score: Score, waiting: Mapping[int, Lane]) -> Iterator[list[Event]]:
    """More and more of what might make a lane hit, as long as one is asked for."""
    if not waiting:
        return
    yield played(score, LONG_BARS)
    for value in (0.0, 1.0):
        if score.spec.macros:
            yield played(score, BARS, macros=value)
    sure = _certain(score, reach)
    if sure is not None:
        yield played(sure, LONG_BARS)


def _certain(score: Score, reach: Reach) -> Score | None:
    """The same where every hit that may come does come."""
    lanes = []
    for lane in score.spec.lanes:
        if lane.hits and lane.settings.get("chance", 1.0) < 1.0 and _may_hit(reach, lane):
            lane = replace(lane, settings={k: v for k, v in lane.settings.items() if k != "chance"})
        lanes.append(lane)
    if tuple(lanes) == score.spec.lanes:
        return None
    return compile_score(replace(score.spec, lanes=tuple(lanes)), score.outputs)


def _cut_off(reach: Reach, score: Score, silent: set[int]) -> Iterator[Problem]:
    """Derived lanes that a section brings in while what they follow from is out."""
    positions = score.positions
    for section in score.spec.sections:
        if section.play is None:
            continue
        performance = Performance(score)
        performance.apply(RecallSection(section=section.name, when="now"), 0)
        away = {name for name, place in positions.items() if performance.muted(place, 0)}
        derived = {
            name: sorted(reach.sources[name] & away)
            for name in section.play
            if reach.lanes[name].kind == "logic" and positions[name] not in silent
        }
        derived = {name: out for name, out in derived.items() if out}
        if not derived:
            continue
        events = Renderer(score, performance).advance(BARS * score.spec.bar_ticks)
        heard = {event.lane for event in events if event.kind == "hit"}
        for name, out in derived.items():
            if positions[name] not in heard:
                verb = "is" if len(out) == 1 else "are"
                message = (
                    f"{name} does not hit in this section: {listed(out)}, from which it follows, "
                    f"{verb} muted"
                )
                keys = ("sections", section.name, "play", section.play.index(name))
                yield Problem(message, ".".join(map(str, keys)), keys=keys)
