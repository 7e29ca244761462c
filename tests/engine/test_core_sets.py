"""Another set takes over on a bar line, with its tempo, while the clock goes on."""

from __future__ import annotations

import itertools

import pytest
from support.desk import BAR, BEAT, Desk, gate_lane, ms_of, score_of

from bridge.voltage.rig_parts import ClockSettings

KICK = gate_lane("kick", "x...x...x...x...")
OTHER = gate_lane("bell", "x...x...x...x...", 2)


def taken_over(bpm: float | None) -> Desk:
    desk = Desk(score_of(KICK), clock=ClockSettings(send_to=("main",)))
    desk.start()
    desk.run_to(BAR - BEAT)
    parts = None if bpm is None else {"tempo": bpm, "tempo_glide": None}
    desk.player.swap(score_of(OTHER), 2, "bar", parts=parts)
    desk.run(6000)
    return desk


def test_the_tempo_changes_on_the_line_and_no_hit_is_lost() -> None:
    desk = taken_over(90.0)
    assert desk.ons(1) == pytest.approx([ms_of(n * BEAT) for n in range(4)], abs=1e-4)
    line = ms_of(BAR)
    # 90 BPM: a beat is 666.67 ms.
    assert desk.ons(2)[:4] == pytest.approx(
        [line + n * ms_of(BEAT, 90.0) for n in range(4)], abs=1e-3
    )
    assert desk.player.song.transport.state == "running"


def test_or_it_stays() -> None:
    desk = taken_over(None)
    assert desk.ons(2)[:4] == pytest.approx([ms_of(BAR + n * BEAT) for n in range(4)], abs=1e-4)


def test_the_clock_that_others_follow_has_no_gap() -> None:
    desk = taken_over(90.0)
    clocks = [ms for ms, data in desk.sent() if data == b"\xf8" and ms >= 0]
    gaps = [b - a for a, b in itertools.pairwise(clocks)]
    # 24 clocks a beat (MIDI 1.0, p. 30): 20.83 ms at 120 BPM, 27.78 ms at 90.
    assert min(gaps) == pytest.approx(ms_of(BEAT) / 24, abs=1e-3)
    assert max(gaps) == pytest.approx(ms_of(BEAT, 90.0) / 24, abs=1e-3)
    assert sum(data in (b"\xfa", b"\xfb", b"\xfc") for _, data in desk.sent()) == 1  # the start


def test_while_the_song_stands_the_tempo_is_there_at_once() -> None:
    desk = Desk(score_of(KICK))
    desk.player.swap(score_of(OTHER), 2, "bar", parts={"tempo": 90.0, "tempo_glide": None})
    desk.run(10)
    assert desk.player.song.bpm == 90.0
    desk.start()
    desk.run(3000)
    assert desk.ons(2)[:3] == pytest.approx([n * ms_of(BEAT, 90.0) for n in range(3)], abs=1e-3)
