"""How much work a set is, before the player is given it.

A copy of the player plays the beginning of the set on a clock that jumps, as fast as it can, at the
set's fastest tempo and with every setting that costs work as high as its macros, lanes and
sections may move it. What that takes of this very computer, in time of the processor, against the
time that it plays for, is the share of one core that the set asks for.

What hands and clocks make of it later is not known here; the player leaves music out when it
becomes too much (`Player.step`).
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from bridge.errors import InputError, Problem
from bridge.music.logic_parse import Term
from bridge.music.logic_tree import looks_back
from bridge.music.model import SETTINGS, TICKS_PER_QUARTER, Drive, Steps
from bridge.music.node import Node, Window
from bridge.music.score import Score
from bridge.player.dispatch import Player
from bridge.ports.simulated import SimulatedOut
from bridge.protocol.performing import MoveSetting
from bridge.protocol.running import SetTempo, Start
from bridge.voltage.profile import WiredOutput
from bridge.voltage.rig_parts import Timing

SHARE_MOST = 0.35
"""The rest is for waking up, for the MIDI system, for the service, and for surprises."""
HITS_MOST = 4000
"""Hits of all lanes in a second, helpers included: far above any music."""
BARS = 2
ENOUGH_NS = 40_000_000
"""Work after which a measure of at least a second of music will do."""
MOST_NS = 300_000_000
TURN_NS = 4_000_000
"""The copy is stepped this often: enough to send, and next to no work of its own."""
SECOND_NS = 1_000_000_000
COSTLY = ("repeats", "density", "hits", "chance")
NAMED = 3
LIGHT_STEPS = 2000
"""Weighted steps in a second below which a set need not be played to know that it is light: some
20 us each on a small computer."""
LOOK_STEPS = 0.2
"""What a lane that has nothing to do counts for, each time that it is looked at."""
VALUE_STEPS = 200
"""What a lane of values counts for: it is sampled in a grid of its own."""


@dataclass(frozen=True, slots=True)
class Work:
    """`share` of one core, `hits` of all lanes in a second, and the share of each lane, the lanes
    that cost most first."""

    share: float
    hits: float
    lanes: tuple[tuple[str, float], ...]

    @property
    def too_much(self) -> bool:
        return self.share > SHARE_MOST or self.hits > HITS_MOST


class _Timed:
    """A node of the renderer that counts what it costs and gives."""

    def __init__(self, node: Node, clock: Callable[[], int]) -> None:
        self._node = node
        self._clock = clock
        self.ns = self.hits = 0

    @property
    def due(self) -> int:
        return self._node.due

    @property
    def lane(self) -> int:
        return self._node.lane

    @property
    def reads(self) -> tuple[int, ...]:
        return self._node.reads

    def run(self, window: Window) -> None:
        begun = self._clock()
        self._node.run(window)
        self.ns += self._clock() - begun
        self.hits += len(window.hits.get(self._node.lane, ()))


def measure(
    score: Score, wired: Mapping[str, WiredOutput], clock: Callable[[], int] = time.thread_time_ns
) -> Work:
    """Plays the beginning of a set on simulated ports, as fast as that can be done.

    Args:
        score: its tempo and its settings are moved to the highest that the set may come to.
        wired: the outputs of the rig, by name.
        clock: counts the work of this thread in ns.
    """
    now = SECOND_NS
    ports = {port: SimulatedOut(port, int, keep=0) for port in {w.port for w in wired.values()}}
    player = Player(score, wired, ports, now, lambda: now, timing=Timing())
    ensemble = player.part.renderer._ensemble
    timed = {place: _Timed(node, clock) for place, node in ensemble.nodes.items()}
    ensemble._ordered = list(timed.values())
    _heaviest(player, score, now)
    player.command(Start(), now)
    end = player.song.time_of(BARS * score.spec.bar_ticks)
    begun, first = clock(), now
    while now < end:
        now = max(player.step(now), now + TURN_NS)
        player.outputs.sent.clear()
        worked = clock() - begun
        if worked > MOST_NS or (worked > ENOUGH_NS and now - first > SECOND_NS):
            break
    played = max(player.song.time_of(player.part.rendered) - first, 1)
    lanes = sorted(((score.lanes[p].name, t.ns / played) for p, t in timed.items()), key=_cost)
    hits = sum(t.hits for t in timed.values()) * SECOND_NS / played
    return Work((clock() - begun) / played, hits, tuple(lanes))


def check(score: Score, wired: Mapping[str, WiredOutput], file: str = "") -> None:
    """Refuses a set that is too much to play here as it is written, or as one of its sections has
    it. Most are light enough not to be played for it.

    Args:
        score: of the set, with its sections.
        wired: the outputs of the rig, by name.
        file: what the error calls the set's file.

    Raises:
        InputError: it is too much; the lanes that cost most are named.
    """
    for form in score.forms:
        if not is_light(form):
            _check_form(form, wired, file)


def _check_form(score: Score, wired: Mapping[str, WiredOutput], file: str) -> None:
    work = measure(score, wired)
    if not work.too_much:
        return
    named = ", ".join(f"{name} ({share:.0%})" for name, share in work.lanes[:NAMED])
    others = len(work.lanes) - NAMED
    if others > 0:
        named += f" and {others} more"
    if work.share > SHARE_MOST:
        asks = f"asks for {work.share:.0%} of a core of this computer; {SHARE_MOST:.0%} is the most"
    else:
        asks = f"asks for {work.hits:.0f} hits a second; {HITS_MOST} is the most"
    raise InputError([Problem(f"{asks}. These lanes cost most: {named}", "lanes", file)])


def is_light(score: Score) -> bool:
    """Whether the steps of all lanes alone say that a set is next to no work. Lengths that are
    looked for ahead (ties, logic on gates) are never taken for light."""
    reach = _reach(score)
    ticks_per_s = _fastest(score) * TICKS_PER_QUARTER / 60
    steps = 0.0
    for place, lane in enumerate(score.lanes):
        if lane.kind == "logic" and getattr(lane.source, "compare", "") == "gates":
            return False
        if lane.tie:
            return False
        repeats = max(lane.settings.get("repeats", 1.0), reach.get((lane.name, "repeats"), 1.0))
        shapes = lane.source.shapes if isinstance(lane.source, Steps) else ()
        repeats = max([repeats, *(shape.repeats or 1 for shape in shapes if shape is not None)])
        weight = 1 + _terms(score.terms[place]) if place in score.terms else 1
        own = ticks_per_s / float(score.steps[place]) * repeats * weight
        steps += own if lane.hits else own + VALUE_STEPS
        if place in score.terms and looks_back(score.terms[place]):
            # All lanes are looked at on each of its steps.
            steps += ticks_per_s / float(score.steps[place]) * len(score.lanes) * LOOK_STEPS
    return steps < LIGHT_STEPS


def _terms(term: Term) -> int:
    return 1 + sum(map(_terms, term.terms))


def _cost(row: tuple[str, float]) -> float:
    return -row[1]


def _heaviest(player: Player, score: Score, now: int) -> None:
    """The fastest tempo and the highest settings that the set itself may come to."""
    player.command(SetTempo(bpm=_fastest(score)), now)
    for (lane, name), value in _reach(score).items():
        command = MoveSetting(lane=lane, setting=name, value=value)
        player.command(command, now)


def _fastest(score: Score) -> float:
    spec = score.spec
    return max([spec.tempo, *(s.tempo for s in spec.sections if s.tempo is not None)])


def _reach(score: Score) -> dict[tuple[str, str], float]:
    """The highest value that sections and drives may give to settings that cost work."""
    spec = score.spec
    reach: dict[tuple[str, str], float] = {}
    for section in spec.sections:
        for lane, values in section.lanes.items():
            for name, value in values.items():
                if name in COSTLY:
                    reach[lane, name] = max(value, reach.get((lane, name), value))
    drives: list[Drive] = [drive for lane in score.lanes for drive in lane.drives]
    drives += [drive for macro in spec.macros for drive in macro.drives]
    for drive in drives:
        if drive.lane is not None and drive.setting in COSTLY:
            reach[drive.lane, drive.setting] = SETTINGS[drive.setting].high
    return reach
