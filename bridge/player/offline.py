"""A performance without waiting: the player itself, on a clock that jumps between deadlines.

What comes out is what would have been sent, to the byte and to the nanosecond.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NamedTuple

from bridge.clock.source import INTERNAL
from bridge.music.collecting import no_collecting
from bridge.music.score import Score
from bridge.player.dispatch import Player
from bridge.player.start import PortSpec
from bridge.player.timeline import Item
from bridge.ports.simulated import SimulatedOut
from bridge.protocol.command import Command
from bridge.protocol.running import Start, Stop
from bridge.voltage.calibration import Correction
from bridge.voltage.profile import WiredOutput
from bridge.voltage.rig_parts import ClockSettings, Timing

if TYPE_CHECKING:
    from bridge.files.rig import Rig

BEGIN_NS = 1_000_000_000


class Played(NamedTuple):
    """One event in the order it was sent: `tick` as the score says, `due` in ns from the first
    tick of the song, `value` and `length` as in `music.event.Event`."""

    tick: int
    due: int
    lane: str
    kind: str
    value: float
    length: int
    output: str | None


class Sent(NamedTuple):
    """One message on one port: ns from the first tick of the song (below 0: before it), and the
    tick, with its fraction, that this is."""

    ns: int
    tick: float
    port: str
    data: bytes


@dataclass(frozen=True, slots=True)
class Recording:
    """`events` that belong to the bars asked for, and everything `sent`, clean end included."""

    events: tuple[Played, ...]
    sent: tuple[Sent, ...]


def _ports(names: Iterable[str], now_ns: Callable[[], int]) -> dict[str, SimulatedOut]:
    return {name: SimulatedOut(name, now_ns, keep=0) for name in sorted(names)}


def _played(item: Item, due: int) -> Played:
    return Played(item.tick, due, item.owner, item.kind, item.value, item.length, item.output)


@no_collecting()
def perform(
    score: Score,
    outputs: Mapping[str, WiredOutput],
    bars: int,
    *,
    specs: Mapping[str, PortSpec] | None = None,
    timing: Timing | None = None,
    settings: ClockSettings | None = None,
    corrections: Mapping[str, Correction] | None = None,
    commands: Mapping[int, list[Command]] | None = None,
    told: Callable[[int], None] = lambda bars: None,
) -> Recording:
    """Plays `bars` bars from the first, with the internal clock.

    `commands` are done when the song has come to a tick, those of tick 0 before it starts; `told`
    hears at each step how many bars are played. Raises CommandError for a wrong one.
    """
    now = [BEGIN_NS]
    player = Player(
        score,
        outputs,
        _ports({wired.port for wired in outputs.values()} | set(specs or {}), lambda: now[0]),
        now[0],
        lambda: now[0],
        specs=specs,
        timing=timing or Timing(),
        corrections=corrections,
        settings=replace(settings or ClockSettings(), follow=INTERNAL),
    )
    events, sent = list[Played](), list[Sent]()
    end, waiting = bars * score.spec.bar_ticks, sorted((commands or {}).items())

    def notice(item: Item, due: int) -> None:
        if item.tick < end:
            events.append(_played(item, due))

    def command_until(tick: Callable[[], float]) -> None:
        while waiting and waiting[0][0] <= tick():
            for command in waiting.pop(0)[1]:
                player.command(command, now[0])

    def collect() -> None:
        for ns, port, data in player.outputs.sent:
            sent.append(Sent(ns - begun, player.song.tick_at(ns), port, data))
        player.outputs.sent.clear()

    player.sender.notice, player.part.last = notice, end
    command_until(lambda: 0)
    player.command(Start(), now[0])
    begun = player.song.time_of(0)
    while player.song.time_of(end) > now[0]:
        told(int(player.song.tick_at(now[0]) // score.spec.bar_ticks))
        command_until(lambda: player.song.tick_at(now[0]))
        now[0] = player.step(now[0])
        collect()
    player.command(Stop(), now[0])
    player.step(now[0])
    player.finish()
    collect()
    return Recording(tuple(e._replace(due=e.due - begun) for e in events), tuple(sent))


def perform_rig(
    rig: Rig,
    score: Score,
    bars: int,
    *,
    clock: bool = False,
    commands: Mapping[int, list[Command]] | None = None,
    told: Callable[[int], None] = lambda bars: None,
) -> Recording:
    """The same on a rig as its files describe it, tuning included; offset and latency are left
    out, so that hits stand on their ticks.

    Args:
        rig: the rig.
        score: what is played on it.
        bars: how many.
        clock: the interfaces that get MIDI clock get it here too (its bytes may delay a hit on a
            slow link).
        commands: what is done, by tick.
        told: hears how many bars are done.

    Raises:
        InputError: the tuning file is wrong.
    """
    from bridge.files.tuning import corrections

    specs = {
        name: PortSpec(interface.port, interface.link, interface.profile.max_messages_per_s)
        for name, interface in rig.interfaces.items()
    }
    return perform(
        score,
        rig.wired,
        bars,
        specs=specs,
        settings=ClockSettings(send_to=rig.clock.send_to if clock else ()),
        corrections=corrections(rig)[0],
        commands=commands,
        told=told,
        timing=rig.timing,
    )
