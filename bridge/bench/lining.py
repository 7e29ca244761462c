"""How late each voice sounds after its message, and what makes all of them fall together.

The earliest voice stays where it is; every other one is played earlier by as much as it is later.
So the delay of the audio input itself, which is the same for all, does not count. It does not count
in the offset to a host's grid either: the host's click comes in with the same delay.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from bridge.bench.checklist import FULL, QUIET
from bridge.bench.hearing import Hearing, Struck
from bridge.bench.listened import head
from bridge.files.document import Document
from bridge.files.edit import Change, apply
from bridge.files.rig import MOST_LATENCY_MS, MOST_VOICE_MS, Rig
from bridge.files.rig_change import rewrite
from bridge.listen.quiet import why_silent
from bridge.protocol.limits import USUAL_HITS

STEP_MS = 0.1
OWN_MS = 0.25
"""A voice that is later than its interface by less gets no latency of its own."""
UNSURE_MS = 0.2


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
            one.late_ms - self._sent_ms(name, when) for name, one in self.late.items() if one.placed
        ]
        return max(falls) - min(falls) if falls else 0.0

    def _sent_ms(self, name: str, when: int) -> float:
        own = self.voices.get(name, (0.0, 0.0))[when]
        return self.interfaces[name.split(".")[0]][when] + own

    @property
    def changes(self) -> bool:
        rows = [*self.interfaces.values(), *self.voices.values()]
        return any(a != b for a, b in [*rows, *([self.offset] if self.offset else [])])


FIRST_HITS = 2
ROOM_S = 0.5


@dataclass
class LiningUp:
    """Strikes each voice `hits` times. `late` has what was heard so far, also when it ends early;
    `complete`: all were listened to."""

    rig: Rig
    hearing: Hearing
    hits: int = USUAL_HITS
    late: dict[str, Struck] = field(default_factory=dict)
    complete: bool = False

    def run(self, names: Sequence[str]) -> Iterator[str]:
        """Gives the name of each gate that was listened to.

        Raises:
            ListenError: the input cannot be listened to, or no voice at all is heard.
        """
        hearing = self.hearing
        hearing.listen_to_room()
        for name in names:
            try:
                struck = hearing.strike(name, QUIET, FIRST_HITS)
                if struck.placed:
                    struck += hearing.strike(name, QUIET, self.hits - FIRST_HITS)
                else:
                    # Some voices open from a higher trigger on, and a louder one is placed better.
                    struck = hearing.strike(name, FULL, self.hits)
            finally:
                hearing.hands.rest(name)
            self.late[name] = struck
            yield name
        if not any(one.heard for one in self.late.values()):
            take = hearing.held(ROOM_S)
            raise why_silent(hearing.ear.name, take.samples, take.rate)
        self.complete = True


def plan_of(rig: Rig, late: Mapping[str, Struck]) -> Plan:
    """What makes the voices that were heard fall together; without an offset.

    Args:
        rig: what is written in it now is the plan's "before".
        late: what was measured, by gate (``interface.output``); one that is not placed is left out.

    Raises:
        ValueError: none was heard, or one is later than can be made up for.
    """
    heard = {name: one.late_ms for name, one in late.items() if one.placed}
    if not heard:
        clearly = " clearly" if any(one.heard for one in late.values()) else ""
        raise ValueError(f"no voice was heard{clearly}, so there is nothing to line up")
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


# --- what is written ---------------------------------------------------------------------------


def lined_up(rig: Rig, plan: Plan, text: str | None = None) -> str:
    """The text of the rig file (as it was read, unless another is given) with the plan in it;
    comments and layout of the rest stay."""
    text = rig.text if text is None else text
    changes = []
    written = Document.parse(text).data["interfaces"]
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
    return apply(text, changes)


def write_plan(rig: Rig, plan: Plan, now: datetime) -> tuple[Rig, Path | None]:
    """Writes a plan into the file of its rig. Blocks on disk.

    Args:
        rig: what the plan was made for.
        plan: what is written, the offset too where it has one.
        now: the date of the copy.

    Returns:
        The rig that is written now, and the copy of what was there, if it was anything else.

    Raises:
        InputError: the file is no rig any more, or would be none; nothing is written then.
        OSError: it cannot be read or written.
    """
    return rewrite(rig, lambda text: lined_up(rig, plan, text), now)


def late_words(rig: Rig, name: str, one: Struck) -> str:
    """One voice as measured, in words.

    Args:
        rig: says where the cable of the output goes.
        name: the gate, ``interface.output``.
        one: its hits, heard or not.
    """
    what = head(rig.wired[name])
    if one.stray:
        return f"{what}: what is heard does not come with its hits; left out"
    if not one.heard:
        return f"{what}: nothing heard; left out"
    if not one.placed:
        return (
            f"{what}: heard, but not sure when: too faint in the noise, or its attack is too slow; "
            "left out. Turn it up, or give it its shortest attack"
        )
    return f"{what}: {one.late_ms:.2f} ms after its message (spread {one.spread_ms:.2f} ms)"


def plan_words(rig: Rig, plan: Plan) -> list[str]:
    """What would change, before and after, a line each, and what stands in the way.

    Args:
        rig: the rig that the plan was made for.
        plan: its latencies, in ms.
    """
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
    waits = max((one.waits_ms for one in plan.late.values()), default=0.0)
    if waits:
        lines.append(
            f"  messages leave in the audio system's periods of {waits:.1f} ms; here that is made "
            "up for, and in the music it spreads hits by as much: a shorter period is better"
        )
    unsure = [one for one in plan.late.values() if one.placed and one.unsure_ms > UNSURE_MS]
    if unsure:
        worst = max(one.unsure_ms for one in unsure)
        lines.append(
            f"  some medians are sure to {worst:.1f} ms only, for their hits are spread; the more "
            "often each voice is struck (--hits), the surer"
        )
    silent = [port for port in rig.interfaces if port not in plan.interfaces]
    lines += [f"  {port}: no voice of it was heard clearly; it stays as it is" for port in silent]
    return lines
