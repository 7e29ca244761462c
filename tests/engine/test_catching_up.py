"""A player that is told to jump while it plays, on a clock that work costs time of.

What is expected was played by another player from bar 1 on: it never jumps.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cache

import pytest
from support import counted
from support.desk import BAR, BEGIN, MS, Desk, ms_of

from bridge.music.render import Renderer
from bridge.player.part import Part
from bridge.player.timeline import Item
from bridge.voltage.rig_parts import ClockSettings

FAR = 300 * BAR
END = FAR + 12 * BAR
NS_PER_TICK = 400
"""What a tick costs on the computer of these tests, whoever works on it: 300 bars take 0.46 s."""
PULSE_MS = 60_000 / 120 / 24
"""MIDI clock at 120 bpm: 24 to the quarter note (MIDI 1.0 Detailed Specification 4.2.1, p. 30)."""

Sent = Sequence[tuple[float, bytes]]


class SlowDesk(Desk):
    """A desk on which work may take time."""

    cost = 0
    lines: list[int]
    pulse_ns = BEGIN
    """When the next clock of a followed computer comes."""

    def run(self, ms: float) -> None:
        until = self.now + round(ms * MS)
        while self.now < until:
            due = self.player.step(self.now)
            self.now = max(self.now, min(due, until))

    @property
    def late_ns(self) -> int:
        """By how much a message left after its time, at most."""
        return self.player.outputs.lateness.worst_ns


def desk_of(monkeypatch: pytest.MonkeyPatch, clock: ClockSettings | None = None) -> SlowDesk:
    desk = SlowDesk(counted.score(), clock=clock or ClockSettings())
    desk.lines = []
    evaluate, join = Renderer._evaluate, Part.join

    def costly(renderer: Renderer, end: int) -> None:
        at = renderer._grid
        evaluate(renderer, end)
        desk.now += (renderer._grid - at) * desk.cost

    def joins(part: Part) -> Iterator[Item]:
        desk.lines.append(part.rendered)
        return join(part)

    monkeypatch.setattr(Renderer, "_evaluate", costly)
    monkeypatch.setattr(Part, "join", joins)
    return desk


@cache
def played() -> Sent:
    """Messages of a player that has played all the way: ms from tick 0, and bytes."""
    desk = Desk(counted.score())
    desk.start()
    desk.run_to(END)
    return desk.sent()


def since(sent: Sent, tick: int) -> list[tuple[float, bytes, float | None]]:
    """The gates that open from a tick on: when, with which values standing, and when they close."""
    found: list[tuple[float, bytes, float | None]] = []
    held: dict[bytes, bytes] = {}
    open_at: dict[int, int] = {}
    for ms, data in sent:
        if data[0] & 0xF0 == 0xB0:
            held[data[:2]] = data
        elif data[0] == 0x99 and ms_of(tick) - 0.01 <= ms < ms_of(END) - 1000:
            values = b"".join(held[name] for name in sorted(held))
            open_at[data[1]] = len(found)
            found.append((round(ms, 2), data + values, None))
        elif data[0] == 0x89 and data[1] in open_at:
            at = open_at.pop(data[1])
            found[at] = (*found[at][:2], round(ms, 2))
    return sorted(found)


def locate(desk: SlowDesk) -> None:
    desk.start()
    desk.run(1000)
    desk.cost = NS_PER_TICK
    desk.do("position", tick=FAR)
    desk.run(1)
    desk.zero = desk.player.song.time_of(0)


def test_a_running_song_that_is_sent_far_away_is_soon_where_playing_takes_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    desk = desk_of(monkeypatch)
    locate(desk)
    assert desk.player.part.catching_up is not None, "there was no time for the way"
    late = desk.late_ns
    desk.run_to(END)
    (line,) = desk.lines
    assert FAR < line <= FAR + 3 * BAR, "0.46 s of work at a quarter of a core"
    notes = since(desk.sent(), line)
    assert len(notes) > 100
    assert notes == since(played(), line)
    assert desk.late_ns <= late, "no message is late for it"
    desk.do("stop")
    desk.run(50)
    assert desk.still_open() == []


def follow(desk: SlowDesk, pulses: int) -> None:
    """MIDI clock comes in, evenly, stamped when it came whatever the player is at."""
    for _ in range(pulses):
        desk.run((desk.pulse_ns - desk.now) / MS)
        desk.player.midi_in("pulse", desk.pulse_ns, b"\xf8", desk.now)
        desk.pulse_ns += round(PULSE_MS * MS)


def test_a_followed_computer_that_jumps_is_followed_exactly(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A Song Position counts sixteenths (MIDI 1.0 Detailed Specification, p. 27)."""
    desk = desk_of(monkeypatch, ClockSettings(follow="pulse"))
    desk.midi(b"\xfa")
    follow(desk, 4 * 24)
    desk.cost = NS_PER_TICK
    sixteenths = 16 * (FAR // BAR)
    desk.midi(bytes((0xF2, sixteenths & 0x7F, sixteenths >> 7)))
    follow(desk, 2)
    desk.zero = desk.player.song.time_of(0)
    assert desk.player.part.catching_up is not None
    late = desk.late_ns
    follow(desk, (END - FAR) // 40)
    (line,) = desk.lines
    notes, expected = since(desk.sent(), line)[:100], since(played(), line)[:100]
    assert [(round(ms / 125), data) for ms, data, _ in notes] == [
        (round(ms / 125), data) for ms, data, _ in expected
    ]
    assert desk.late_ns <= late


def test_mutes_and_macros_of_meanwhile_hold(monkeypatch: pytest.MonkeyPatch) -> None:
    desk = desk_of(monkeypatch)
    locate(desk)
    desk.run(300)
    desk.do("mute", lane="kick", muted=True)
    desk.do("macro", macro="knob", value=0.9)
    desk.run_to(END)
    (line,) = desk.lines
    state = desk.player.performance.state()
    assert state["lanes"]["kick"]["muted"]
    assert state["macros"]["knob"]["value"] == 0.9
    assert [ms for ms in desk.ons(1) if ms > ms_of(line)] == []
    assert len([ms for ms in desk.ons(2) if ms > ms_of(line)]) > 20


def test_without_a_far_jump_nothing_is_done(monkeypatch: pytest.MonkeyPatch) -> None:
    """Not one more wake-up, and no second renderer."""
    made: list[Renderer] = []
    real = Renderer.__init__

    def makes(renderer: Renderer, *args: object, **more: object) -> None:
        made.append(renderer)
        real(renderer, *args, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(Renderer, "__init__", makes)
    desk = desk_of(monkeypatch)
    desk.start()
    desk.run_to(2 * BAR)
    desk.do("position", tick=20 * BAR)
    desk.run(4000)
    assert len(made) == 1
    assert desk.player.part.catching_up is None
    assert desk.lines == []


def test_a_computer_that_is_far_too_slow_plays_on_as_it_fell_in(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Every message on time; the work is bounded, and nothing is tried again after it."""
    desk = desk_of(monkeypatch)
    locate(desk)
    desk.do("position", tick=100_000 * BAR)
    desk.run(1)
    late, begun = desk.late_ns, desk.now
    desk.cost = 4 * NS_PER_TICK
    desk.run(60_000)
    assert desk.lines == []
    assert desk.player.part.catching_up is None
    assert desk.now - begun < 61_000 * MS
    assert desk.late_ns <= late
