"""How late each voice sounds after its message, and what makes all of them fall together.

The earliest voice stays where it is; every other one is played earlier by as much as it is later.
So the delay of the audio input itself, which is the same for all, does not count. It does not count
in the offset to a host's grid either: the host's click comes in with the same delay.
"""

from __future__ import annotations

import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from bridge.bench.hearing import Struck
from bridge.bench.listened import head
from bridge.clock.tempo import TICKS_PER_CLOCK
from bridge.files.document import Document
from bridge.files.edit import Change, apply
from bridge.files.rig import MOST_LATENCY_MS, MOST_OFFSET_MS, MOST_VOICE_MS, Rig
from bridge.listen import health, wrong
from bridge.listen.audio import Listener, Take, gather
from bridge.listen.onset import onsets, quiet_floor
from bridge.music.model import TICKS_PER_QUARTER
from bridge.player.songclock import SongClock

STEP_MS = 0.1
OWN_MS = 0.25
"""A voice that is later than its interface by less gets no latency of its own."""
FEWEST_CLICKS = 8
UNSURE_MS = 0.2
NEAR_BEAT = 0.3  # of a beat: a click further away from it belongs to something else
STEADY_MS = 12.0
PIECE_NS = 1_700_000_000
CUT_MS = 20.0
LOST_NS = 30_000_000  # more than any block is long
APART_MS = 120.0
"""Clicks are further apart than this up to 500 a minute."""
SETTLED_CLOCKS = 48
"""Clocks after which a followed clock's line is as good as it gets, for the most part."""


@dataclass(frozen=True, slots=True)
class Plan:
    """Latencies in ms: `before` and `after` by interface and by output (a voice of its own), and
    the offset. `late` is what was measured, by output; the earliest is at `first_ms`."""

    late: Mapping[str, Struck]
    first_ms: float
    interfaces: Mapping[str, tuple[float, float]]
    voices: Mapping[str, tuple[float, float]]
    unwritten: tuple[str, ...] = ()
    """Outputs that need a latency of their own and have no cable to write it at."""
    offset: tuple[float, float] | None = None

    def apart_ms(self, when: int) -> float:
        """How far apart all hits fall, before (0) or after (1)."""
        falls = [
            one.late_ms - self._sent_ms(name, when) for name, one in self.late.items() if one.heard
        ]
        return max(falls) - min(falls) if falls else 0.0

    def _sent_ms(self, name: str, when: int) -> float:
        own = self.voices.get(name, (0.0, 0.0))[when]
        return self.interfaces[name.split(".")[0]][when] + own

    @property
    def changes(self) -> bool:
        rows = [*self.interfaces.values(), *self.voices.values()]
        return any(a != b for a, b in [*rows, *([self.offset] if self.offset else [])])


def plan_of(rig: Rig, late: Mapping[str, Struck]) -> Plan:
    """What makes the voices that were heard fall together.

    Raises:
        ValueError: none was heard, or one is later than can be made up for.
    """
    heard = {name: one.late_ms for name, one in late.items() if one.heard}
    if not heard:
        raise ValueError("no voice was heard, so there is nothing to line up")
    first = min(heard.values())
    interfaces: dict[str, tuple[float, float]] = {}
    voices: dict[str, tuple[float, float]] = {}
    unwritten = []
    for port, interface in rig.interfaces.items():
        own = {n: ms - first for n, ms in heard.items() if rig.wired[n].port == port}
        if not own:
            continue
        base = _rounded(min(own.values()))
        interfaces[port] = (interface.latency_ms, base)
        for name, ms in own.items():
            more = ms - base
            wanted = _rounded(more) if more > OWN_MS else 0.0
            if wanted and name not in rig.cables:
                unwritten.append(name)
                wanted = 0.0
            voices[name] = (interface.voice_ms.get(name, 0.0), wanted)
            if base > MOST_LATENCY_MS or wanted > MOST_VOICE_MS:
                raise ValueError(
                    f"{head(rig.wired[name])} is {ms:.0f} ms later than the earliest voice, more "
                    "than can be made up for"
                )
    return Plan(late, first, interfaces, voices, tuple(unwritten))


def _rounded(ms: float) -> float:
    return max(0.0, round(round(ms / STEP_MS) * STEP_MS, 1))


# --- the host's grid ---------------------------------------------------------------------------


@dataclass
class Grid:
    """A host's MIDI clock and its click, as they come in. The clock is followed as the player
    follows it, so that what is measured is what will be played."""

    source: str
    begun_ns: int
    away_ms: list[float] = field(default_factory=list)
    """How much later than its beat each click came."""
    clocks: int = 0

    def __post_init__(self) -> None:
        self._song = SongClock(self.begun_ns, 120.0, self.source)

    def take(self, midi: Sequence[tuple[int, bytes]], clicks: Sequence[float]) -> None:
        """What has come in: stamped MIDI messages, and clicks by their monotonic ns."""
        rows: list[tuple[float, bytes]] = [*midi, *((at, b"") for at in clicks)]
        for at, data in sorted(rows, key=lambda row: row[0]):
            if data:
                self.clocks += data == b"\xf8"
                self._song.midi(int(at), data)
            else:
                self._click(at)

    def _click(self, at: float) -> None:
        song = self._song
        if not (song.playing and song.ready and self.clocks >= SETTLED_CLOCKS):
            return
        beat = round(song.tick_at(int(at)) / TICKS_PER_QUARTER) * TICKS_PER_QUARTER
        away = at - song.time_of(beat)
        clock_ns = song.time_of(beat + TICKS_PER_CLOCK) - song.time_of(beat)
        if abs(away) <= NEAR_BEAT * clock_ns * TICKS_PER_QUARTER / TICKS_PER_CLOCK:
            self.away_ms.append(away / 1e6)

    def offset_ms(self, first_ms: float) -> float:
        """The offset that puts a voice that is `first_ms` late on the click.

        Raises:
            ValueError: too little was heard, or it does not go with the clock; in words.
        """
        if not self.clocks:
            raise ValueError(f"no clock came from {self.source}: does the host send it?")
        if not self._song.playing:
            raise ValueError("the clock came, but no Start: begin with the host stopped")
        if len(self.away_ms) < FEWEST_CLICKS:
            raise ValueError(
                f"only {len(self.away_ms)} clicks were heard near a beat, and {FEWEST_CLICKS} are "
                "needed: is the click on, on every beat, and on this input?"
            )
        away = sorted(self.away_ms)
        cut = len(away) // 10
        if away[-1 - cut] - away[cut] > STEADY_MS:
            raise ValueError(
                "what is heard does not keep time with the clock: is it the click alone?"
            )
        offset = round(statistics.median(away) - first_ms, 1)
        if abs(offset) > MOST_OFFSET_MS:
            raise ValueError(
                f"the click is {offset:.0f} ms away from the clock, more than an offset may be; "
                "look at the delay that the host gives its clock"
            )
        return offset


def listen_to_click(
    grid: Grid, ear: Listener, midi: Sequence[tuple[int, bytes]], seconds: float, since_ns: int
) -> None:
    """Hears a click for so long, and gives it to a grid with the MIDI that has come meanwhile.

    Args:
        grid: takes both.
        ear: the input with the click.
        midi: stamped messages; may be added to by another thread.
        seconds: how long.
        since_ns: when it begins.

    Raises:
        ListenError: the input is muted, clips, stopped, or lost samples.
    """
    end = since_ns + round(seconds * 1e9)
    takes: list[Take] = []
    while since_ns < end:
        take = gather(ear, since_ns, PIECE_NS / 1e9)
        if takes and take.ns - since_ns > LOST_NS:
            # After a gap the times of samples are sure again only after a while, and an offset that
            # is wrong is worse than none.
            raise wrong.losing(ear.name)
        if health.level(take.samples).clipped:
            raise wrong.clipping(ear.name)
        takes.append(take)
        since_ns = take.ns + round(len(take.samples) * 1e9 / take.rate)
    heard = np.concatenate([take.samples for take in takes])
    if health.level(heard).dead:
        raise wrong.muted(ear.name)
    floor = quiet_floor(heard, ear.rate)
    clicks = [
        take.ns + 1e9 * one.at / take.rate
        for take in takes
        for one in onsets(take.samples, take.rate, floor, APART_MS)
        if one.at > CUT_MS * take.rate / 1e3  # what rings on from before its piece is no click
    ]
    grid.take(list(midi), clicks)


# --- what is written ---------------------------------------------------------------------------


def lined_up(rig: Rig, plan: Plan) -> str:
    """The text of the rig file with the plan in it; comments and layout of the rest stay."""
    changes = []
    written = Document.parse(rig.text).data["interfaces"]
    for port, (before, after) in plan.interfaces.items():
        if before != after:
            changes.append(Change(("interfaces", port, "latency_ms"), after))
    for name, (before, after) in plan.voices.items():
        if before == after:
            continue
        port, jack = name.split(".")
        keys = ("interfaces", port, "cables", jack)
        if isinstance(written[port]["cables"][jack], dict):
            changes.append(Change((*keys, "latency_ms"), after or None))
        else:
            changes.append(Change(keys, {"to": rig.cables[name].to, "latency_ms": after}))
    if plan.offset is not None and plan.offset[0] != plan.offset[1]:
        changes.append(Change(("clock", "offset_ms"), plan.offset[1]))
    return apply(rig.text, changes)


def late_words(rig: Rig, name: str, one: Struck) -> str:
    """One voice as measured, in words."""
    what = head(rig.wired[name])
    if one.stray:
        return f"{what}: what is heard does not come with its hits; left out"
    if not one.heard:
        return f"{what}: nothing heard; left out"
    return f"{what}: {one.late_ms:.2f} ms after its message (spread {one.spread_ms:.2f} ms)"


def plan_words(rig: Rig, plan: Plan) -> list[str]:
    """What would change, before and after."""
    lines = []
    for port, (before, after) in plan.interfaces.items():
        lines.append(f"  {port}: latency_ms {before:g} -> {after:g}")
    for name, (before, after) in plan.voices.items():
        if before != after:
            lines.append(f"  {head(rig.wired[name])}: latency_ms {before:g} -> {after:g}")
    if plan.offset is not None:
        lines.append(f"  clock: offset_ms {plan.offset[0]:g} -> {plan.offset[1]:g}")
    lines.append(f"hits fall {plan.apart_ms(0):.2f} ms apart before, {plan.apart_ms(1):.2f} after")
    lines += [
        f"  {name} needs a latency of its own; write its cable down in the rig first"
        for name in plan.unwritten
    ]
    unsure = [one for one in plan.late.values() if one.heard and one.unsure_ms > UNSURE_MS]
    if unsure:
        worst = max(one.unsure_ms for one in unsure)
        lines.append(
            f"  some medians are sure to {worst:.1f} ms only, for their hits are spread; the more "
            "often each voice is struck (--hits), the surer"
        )
    silent = [port for port in rig.interfaces if port not in plan.interfaces]
    lines += [f"  {port}: no voice of it was heard; it stays as it is" for port in silent]
    return lines
