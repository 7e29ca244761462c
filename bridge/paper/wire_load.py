"""What a set asks of the wires: the worst step of every port, and what to do about it.

Bars are played with every lane in, as written and in each section, and what falls on one tick is
encoded as the player would. Moving levels are left out: the player lets them wait for a gap. A hit
6 ms beside an even pulse is noticed (isochronous-sequence reviews), so 5 ms is where we speak up.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from bridge.files.rig import Rig
from bridge.music.event import Event
from bridge.music.score import Score
from bridge.music.ticks import position
from bridge.paper.trial import BARS, SECTION_BARS, played
from bridge.voltage.encode import Encoder, Message
from bridge.voltage.profile import WiredOutput
from bridge.voltage.wire import Burst, Link, worst_burst

NOTICED_MS = 5.0
DIN = Link("din")

Moment = tuple[int, list[tuple[str, Message]]]


@dataclass(frozen=True, slots=True)
class Load:
    """The worst step of one port: on its own link, and if it were a DIN cable. `lanes` are those
    that hit then, in the order sent; `section` where it was found (None: as written)."""

    port: str
    link: str
    own: Burst
    din: Burst
    lanes: tuple[str, ...]
    section: str | None


def loads(rig: Rig, score: Score, bars: int = BARS) -> list[Load]:
    """The worst step of every port that `score` sends hits to, in the order of the rig."""
    found: dict[str, Load] = {}
    rounds: list[tuple[str | None, int]] = [(None, bars)]
    rounds += [(section.name, SECTION_BARS) for section in score.spec.sections]
    links = {
        name: Link.of(interface.profile, interface.link)
        for name, interface in rig.interfaces.items()
    }
    names = {lane.out: lane.name for lane in reversed(score.lanes) if lane.out is not None}
    for section, length in rounds:
        heard = moments(rig.wired, played(score, length, section))
        own = worst_burst(heard, links)
        din = worst_burst(heard, dict.fromkeys(links, DIN))
        for port, burst in din.items():
            old = found.get(port)
            if not burst.hits or (old is not None and old.din.spread_ms >= burst.spread_ms):
                continue
            hit = tuple(names.get(output, output) for output in burst.hits)
            found[port] = Load(port, links[port].kind, own[port], burst, hit, section)
    return [found[name] for name in rig.interfaces if name in found]


def moments(outputs: Mapping[str, WiredOutput], events: Sequence[Event]) -> list[Moment]:
    """(tick, what is sent then) for all ticks with messages; levels left out."""
    encoder = Encoder(outputs)
    encoder.setup()
    offs: list[tuple[int, int, str]] = []
    ends: dict[str, int] = {}
    found: dict[int, list[tuple[str, Message]]] = {}

    def put(tick: int, output: str, messages: list[Message]) -> None:
        if messages:
            found.setdefault(tick, []).extend((output, message) for message in messages)

    def close(until: int) -> None:
        while offs and offs[0][0] <= until:
            tick, _, output = heapq.heappop(offs)
            if ends.get(output) == tick:  # a later hit has not moved the end
                put(tick, output, encoder.gate_off(output))

    for number, event in enumerate(events):
        if event.output is None or event.output not in outputs:
            continue
        close(event.tick)
        if event.kind == "pitch":
            put(event.tick, event.output, encoder.pitch(event.output, event.value))
        elif event.kind == "hit":
            put(event.tick, event.output, encoder.gate_on(event.output, event.value))
            end = event.tick + max(event.length, 1)
            ends[event.output] = end
            heapq.heappush(offs, (end, number, event.output))
    while offs:
        close(offs[0][0])
    return sorted(found.items())


def lines(rig: Rig, score: Score, bars: int = BARS) -> Iterator[str]:
    """One line per port, and what to do where hits come too far apart."""
    for load in loads(rig, score, bars):
        place = position(load.din.at, score.spec.meter).words
        if load.section is not None:
            place += f" of section {load.section}"
        count = len(load.din.hits)
        hits = "1 hit" if count == 1 else f"{count} hits"
        yield (
            f"wire {load.port}: the fullest step is {place}: {hits}, {load.din.bytes} bytes, "
            f"{load.din.spread_ms:.1f} ms from first to last on DIN"
            + (f", {load.own.spread_ms:.1f} ms on its own USB" if load.link == "usb" else "")
        )
        yield from (f"  {line}" for line in advice(load))


def advice(load: Load) -> list[str]:
    """What to do about a step whose hits come more than 5 ms apart on the port's own link."""
    burst = load.own if load.link == "usb" else load.din
    if burst.spread_ms <= NOTICED_MS:
        return []
    last = ", ".join(load.lanes[-2:])
    said = [f"{burst.spread_ms:.1f} ms can be heard: {', '.join(load.lanes)} fall together"]
    said.append(f"lanes are sent in the order of the set: put the tightest first ({last} are last)")
    if load.link == "din":
        said.append("shift a lane by a few ms, move some to another interface, or connect by USB")
    else:
        said.append("shift a lane by a few ms, or move some to another interface")
    return said
