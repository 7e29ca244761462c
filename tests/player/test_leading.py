"""What others go by: MIDI clock, Start, Stop, Continue, Song Position, and pulses in the rack.

MIDI 1.0 Detailed Specification 4.2.1: 24 clocks a quarter and Start at least 1 ms before the first
clock (p. 30); Song Position in sixteenths, not while running (pp. 27, 29). Pulse widths and reset
before the first pulse are common practice, no source.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from typing import Any

import pytest
from support.desk import BAR, BEAT, MS, RIG, STEP, Desk, gate_lane, ms_of, score_of, wire

from bridge.voltage.profile import Address, Output, WiredOutput
from bridge.voltage.rig_parts import ClockSettings

HATS = gate_lane("hats", "xxxxxxxxxxxxxxxx", 2)
PULSE_MS = 1000 / 48


def leading(rig: Mapping[str, WiredOutput] = RIG, **more: Any) -> Desk:
    return Desk(score_of(HATS, rig=rig), rig=rig, clock=ClockSettings(send_to=("main",)), **more)


def times(desk: Desk, status: int) -> list[float]:
    return [ms for ms, _ in desk.of_status(status)]


def test_clock_runs_while_stopped_and_its_phase_holds_through_start_and_stop() -> None:
    desk = leading()
    desk.run(333)
    desk.start()
    desk.run_to(BAR + 123)
    desk.do("stop")
    desk.run(777)
    clocks = times(desk, 0xF8)
    gaps = [two - one for one, two in itertools.pairwise(clocks)]
    assert gaps == pytest.approx([PULSE_MS] * len(gaps), abs=1e-4)
    assert len(clocks) > 100


def test_start_goes_out_between_two_clocks_and_the_next_one_is_the_downbeat() -> None:
    desk = leading()
    desk.run(100)
    desk.start()
    desk.run_to(BAR)
    (start,) = times(desk, 0xFA)
    first = min(ms for ms in times(desk, 0xF8) if ms > start)
    assert first == pytest.approx(0.0, abs=1e-4)
    assert first - start >= 1.0
    assert desk.ons(2)[0] == pytest.approx(first, abs=1e-4)


def test_stop_and_continue_tell_the_position_in_sixteenths() -> None:
    desk = leading()
    desk.start()
    desk.run_to(9 * STEP + 10)
    desk.do("stop")
    desk.run(300)
    assert len(times(desk, 0xFC)) == 1
    desk.do("continue")
    desk.run(1000)
    (place,) = [data for _, data in desk.of_status(0xF2)]
    assert place == bytes((0xF2, 10, 0))
    (again,) = times(desk, 0xFB)
    first = min(ms for ms in times(desk, 0xF8) if ms > again)
    assert first - again >= 1.0
    hit = min(on for on in desk.ons(2) if on > again)
    assert hit == pytest.approx(first, abs=1e-4)
    assert times(desk, 0xF2)[0] <= again


def test_a_jump_while_running_is_told_as_stop_position_continue() -> None:
    desk = leading()
    desk.start()
    desk.run_to(BEAT + 5)
    desk.do("position", tick=4 * BAR)
    desk.run(500)
    words = [data for ms, data in desk.sent() if data[0] in (0xF2, 0xFB, 0xFC) and ms > 0]
    assert words == [b"\xfc", bytes((0xF2, 64, 0)), b"\xfb"]


def test_tempo_changes_reach_the_clock() -> None:
    desk = leading()
    desk.start()
    desk.run_to(BEAT)
    desk.do("tempo", bpm=240)
    desk.run(500)
    clocks = times(desk, 0xF8)
    assert clocks[-1] - clocks[-2] == pytest.approx(PULSE_MS / 2, abs=1e-4)


def test_notes_move_against_our_clock_by_the_offset() -> None:
    desk = leading()
    desk.do("offset", ms=-10.0)
    desk.start()
    desk.run_to(BAR)
    assert desk.ons(2)[1] == pytest.approx(115.0, abs=1e-4)
    assert min(abs(ms - 125.0) for ms in times(desk, 0xF8)) < 1e-4


def test_a_followed_clock_is_passed_on_without_doubling() -> None:
    desk = Desk(score_of(HATS), clock=ClockSettings("pulse", send_to=("main",)))
    begin = desk.now

    def clocks(first: int, count: int) -> None:
        for number in range(first, first + count):
            desk.run((begin + number * 20_833_333 - desk.now) / MS)
            desk.midi(b"\xf8")

    clocks(1, 48)
    desk.midi(b"\xfa")
    clocks(49, 192)
    assert len(times(desk, 0xFA)) == 1
    passed = times(desk, 0xF8)
    gaps = [two - one for one, two in itertools.pairwise(passed)]
    assert min(gaps) > PULSE_MS - 1.0
    assert max(gaps) < PULSE_MS + 1.0


PULSES = dict(RIG) | wire(
    *(
        Output(f"clock-{ppqn}", "clock", Address("note", 11, 60 + ppqn), ppqn=ppqn)
        for ppqn in (1, 2, 4, 24)
    ),
    Output("reset-1", "reset", Address("note", 11, 40)),
    Output("run-1", "run", Address("note", 11, 41)),
)


def edges(desk: Desk, note: int) -> list[tuple[float, float]]:
    """(on, off) of a note of channel 11, off infinite while open."""
    found: list[tuple[float, float]] = []
    for ms, data in desk.sent():
        if len(data) > 1 and data[1] == note:
            if data[0] == 0x9A:
                found.append((ms, float("inf")))
            elif data[0] == 0x8A and found and found[-1][1] == float("inf"):
                found[-1] = (found[-1][0], ms)
    return found


@pytest.mark.parametrize(
    ("bpm", "ppqn", "width"),
    [
        (120.0, 1, 10.0),
        (120.0, 4, 10.0),
        (120.0, 24, 8.3333),
        (300.0, 24, 3.3333),
        (400.0, 24, 2.5),
    ],
)
def test_clock_outputs_pulse_at_their_rate(bpm: float, ppqn: int, width: float) -> None:
    """Width: 10 ms, at most 40 % of the period, so 3.3 ms at 300 BPM and 24 a quarter."""
    desk = Desk(score_of(HATS, rig=PULSES, tempo=bpm), rig=PULSES)
    desk.start()
    desk.run_to(2 * BEAT)
    seen = edges(desk, 60 + ppqn)
    step = BEAT // ppqn
    wanted = [ms_of(tick, bpm) for tick in range(0, 2 * BEAT, step)]
    assert [on for on, _ in seen][: len(wanted)] == pytest.approx(wanted, abs=1e-3)
    assert seen[0][1] - seen[0][0] == pytest.approx(width, abs=1e-3)


def test_reset_comes_2_ms_before_the_first_pulse_and_run_is_high_while_playing() -> None:
    desk = Desk(score_of(HATS, rig=PULSES), rig=PULSES)
    desk.start()
    desk.run_to(BAR + 10)
    (reset,) = edges(desk, 40)
    assert reset[0] == pytest.approx(-2.0, abs=1e-3)
    assert edges(desk, 41)[0][1] == float("inf")
    desk.do("stop")
    desk.run(1)
    assert edges(desk, 41)[0][1] < float("inf")
    count = len(desk.sent())
    desk.run(200)
    assert len(desk.sent()) == count, "clock outputs rest with the song"
    desk.do("continue")
    desk.run(200)
    assert len(edges(desk, 40)) == 1, "only the beginning resets"


def test_reset_goes_before_the_first_pulse_when_a_clock_is_followed() -> None:
    desk = Desk(score_of(HATS, rig=PULSES), rig=PULSES, clock=ClockSettings("pulse"))
    for _ in range(24):
        desk.run(20.833333)
        desk.midi(b"\xf8")
    desk.midi(b"\xfa")
    desk.run(20.833333)
    desk.midi(b"\xf8")
    desk.run(100)
    (reset,) = edges(desk, 40)
    assert edges(desk, 84)[0][0] - reset[0] >= 2.0


def test_a_jump_to_the_beginning_resets_before_the_first_pulse_there() -> None:
    """A Start while running: only its clock tells that the song begins again."""
    desk = Desk(score_of(HATS, rig=PULSES), rig=PULSES, clock=ClockSettings("pulse"))

    def clocks(count: int) -> None:
        for _ in range(count):
            desk.run(20.833333)
            desk.midi(b"\xf8")

    clocks(24)
    desk.midi(b"\xfa")
    clocks(100)
    desk.midi(b"\xfa")
    clocks(30)
    _, again = edges(desk, 40)
    # The pulse of that clock itself may have gone out before anybody could know.
    first = min(on for on, _ in edges(desk, 84) if on > again[0] + 0.01)
    assert first - again[0] == pytest.approx(2.0, abs=0.5)
