"""Following and leading, through the whole player.

Rules: MIDI 1.0 Detailed Specification 4.2.1, pp. 27-32 (position counts sixteenths of six clocks;
after Start or Continue the next clock is the position; Stop keeps it; clocks may run while
stopped). Three lost intervals before running free, and re-lock within one bar, are our choice.
"""

from __future__ import annotations

import itertools

import pytest
from support.desk import BAR, BEAT, MS, STEP, Desk, gate_lane, score_of
from support.states import process_about

from bridge.errors import CommandError
from bridge.player.songclock import SongClock
from bridge.voltage.rig_parts import ClockSettings

HATS = gate_lane("hats", "xxxxxxxxxxxxxxxx", 2)
DOWN = gate_lane("down", "x...............", 1)
PULSE = 20_833_333  # ns of one clock at 120 BPM: tests/reference/timing_clock.csv, row bpm_120


def following(*lanes: object, **clock: object) -> Desk:
    return Desk(score_of(*(lanes or (DOWN, HATS))), clock=ClockSettings("pulse", **clock))  # type: ignore[arg-type]


def pulses(desk: Desk, count: int, pulse: int = PULSE, late: tuple[int, ...] = (0,)) -> None:
    """Sends clocks: the first one interval from now; `late` ns are added in turn."""
    begin = desk.now
    for number in range(1, count + 1):
        at = begin + number * pulse + late[number % len(late)]
        desk.run((at - desk.now) / MS)
        desk.midi(b"\xf8")
    # Time stands at the last pulse, without its lateness.


def state(desk: Desk) -> str:
    return desk.player.song.transport.state


def test_clocks_while_stopped_move_nothing_and_lock() -> None:
    desk = following()
    pulses(desk, 48)
    assert state(desk) == "stopped"
    assert desk.player.song.state(desk.now) == "locked"
    assert desk.player.song.shown_bpm == pytest.approx(120, abs=0.1)
    assert desk.ons(1) == []


def test_the_first_clock_after_start_is_the_downbeat() -> None:
    desk = following()
    pulses(desk, 24)
    desk.midi(b"\xfa")
    assert state(desk) == "armed"
    desk.run(15)
    assert desk.ons(1) == []
    desk.run((PULSE / MS) - 15)
    desk.zero = desk.now
    desk.midi(b"\xf8")
    pulses(desk, 95)
    assert desk.ons(1)[0] == pytest.approx(0.0, abs=0.3)
    assert desk.ons(2)[:16] == pytest.approx([n * 125.0 for n in range(16)], abs=0.3)


def test_start_without_any_clock_before_it_plays_at_the_first_clock() -> None:
    desk = following()
    desk.run(100)
    desk.midi(b"\xfa")
    desk.run(10)
    desk.midi(b"\xf8")
    desk.zero = desk.now
    pulses(desk, 95)
    assert desk.ons(1)[0] == pytest.approx(0.0, abs=0.1)
    assert desk.ons(2)[:16] == pytest.approx([n * 125.0 for n in range(16)], abs=1.0)


def test_position_and_continue_play_from_there() -> None:
    """Position 4 is clock 24, one quarter in."""
    lane = gate_lane("one", "....x...........")
    desk = following(lane)
    pulses(desk, 24)
    desk.midi(bytes((0xF2, 4, 0)))
    desk.midi(b"\xfb")
    desk.run(PULSE / MS)
    desk.zero = desk.now
    desk.midi(b"\xf8")
    pulses(desk, 90)
    assert desk.ons()[0] == pytest.approx(0.0, abs=0.3)
    assert desk.player.song.place(desk.now) == pytest.approx(960 + 90 * 40, abs=2)


def test_stop_closes_gates_within_5_ms_and_continue_plays_the_clock_that_was_kept_back() -> None:
    desk = following(gate_lane("long", "xxxxxxxxxxxxxxxx", 2, settings={"gate": 0.99}))
    pulses(desk, 24)
    desk.midi(b"\xfa")
    pulses(desk, 6 * 5 + 1)
    assert desk.player.outputs.open
    at = desk.now
    desk.midi(b"\xfc")
    desk.run(5)
    assert not desk.player.outputs.open
    assert max(ns for ns, data in desk.ports["main"].sent if data[0] == 0x89) <= at + 5 * MS
    assert len(desk.ons(2)) == 6
    pulses(desk, 13)  # may run on; nothing moves
    desk.midi(b"\xfb")
    pulses(desk, 96 - 31)
    assert len(desk.ons(2)) == 16
    assert desk.still_open() in ([], [2])


def test_a_second_start_goes_back_to_the_beginning_on_the_next_clock() -> None:
    desk = following()
    pulses(desk, 24)
    desk.midi(b"\xfa")
    desk.midi(b"\xfa")
    pulses(desk, 50)
    assert len(desk.ons(1)) == 1
    desk.midi(b"\xfa")
    pulses(desk, 96)
    assert len(desk.ons(1)) == 2
    assert desk.player.song.place(desk.now) == pytest.approx(95 * 40, abs=2)


def test_position_while_running_lands_on_the_next_clock() -> None:
    desk = following()
    pulses(desk, 24)
    desk.midi(b"\xfa")
    pulses(desk, 50)
    desk.midi(bytes((0xF2, 32, 0)))
    assert desk.player.song.place(desk.now) == pytest.approx(49 * 40, abs=2)
    pulses(desk, 1)
    assert desk.player.song.place(desk.now) == pytest.approx(32 * 6 * 40, abs=2)
    assert len(desk.ons(1)) == 2


@pytest.mark.parametrize("late_ms", [0.0, 3.0])
@pytest.mark.parametrize("before_ms", [18.0, 2.0])
def test_a_host_that_loops_plays_every_hit_once(late_ms: float, before_ms: float) -> None:
    """Song Position back to the first bar without a Stop, and the clock after it late: what was
    worked out ahead for the bar that never comes must not sound, nor the downbeat twice."""
    desk = following()
    pulses(desk, 24)
    desk.midi(b"\xfa")
    desk.run(PULSE / MS)
    desk.midi(b"\xf8")
    for _ in range(3):
        pulses(desk, 95)
        desk.run(PULSE / MS - before_ms)
        desk.midi(bytes((0xF2, 0, 0)))
        desk.run(before_ms + late_ms)
        desk.midi(b"\xf8")
        desk.run(-late_ms)
    pulses(desk, 10)
    bars = desk.ons(1)
    hats = desk.ons(2)
    assert len(bars) == 4
    assert len(hats) == 3 * 16 + 2
    for hits, distance in ((bars, 2000.0), (hats, 125.0)):
        for before, after in itertools.pairwise(hits):
            assert after - before == pytest.approx(distance, abs=late_ms + 0.5)


def test_mode_messages_from_the_host_do_no_harm() -> None:
    desk = following()
    pulses(desk, 24)
    desk.midi(b"\xfa")
    for channel in range(16):
        desk.midi(bytes((0xB0 | channel, 120, 0)))
        desk.midi(bytes((0xB0 | channel, 123, 0)))
    pulses(desk, 97)
    assert len(desk.ons(2)) == 17
    assert len(desk.player.incoming.rows) == 32


@pytest.mark.parametrize("gone", [4, 23, 96, 200])
def test_a_lost_clock_runs_on_free_and_comes_back_in_phase(gone: int) -> None:
    desk = following()
    pulses(desk, 24)
    desk.midi(b"\xfa")
    pulses(desk, 1)
    desk.zero = desk.now
    pulses(desk, 95)
    desk.run(gone * PULSE / MS)
    assert state(desk) == "lost"
    assert desk.player.song.state(desk.now) == "alone"
    assert desk.player.warnings
    pulses(desk, 2 * 96)
    assert state(desk) == "running"
    assert desk.player.song.state(desk.now) == "locked"
    ons = desk.ons(2)
    wanted = [n * 125.0 for n in range(len(ons))]
    assert ons == pytest.approx(wanted, abs=1.0)
    assert len(ons) == (95 + gone + 2 * 96) * PULSE // (125 * MS) + 1


def test_a_clock_that_comes_back_out_of_phase_is_joined_within_a_bar_without_a_burst() -> None:
    desk = following()
    pulses(desk, 24)
    desk.midi(b"\xfa")
    pulses(desk, 1)
    desk.zero = desk.now
    pulses(desk, 95)
    desk.run(12.4 * PULSE / MS)
    returns = desk.now
    pulses(desk, 96)
    again = [on for on in desk.ons(2) if on > (returns - desk.zero) / MS]
    gaps = [two - one for one, two in itertools.pairwise(again)]
    assert min(gaps) > 100
    assert max(gaps) < 150
    # In phase with the new clock: hits stand on its pulses.
    late = [((on + desk.zero / MS) * MS - returns) % (PULSE * 6) / MS for on in again[-4:]]
    assert max(late) - min(late) < 0.5
    assert min(min(x % (PULSE / MS), PULSE / MS - x % (PULSE / MS)) for x in late) < 0.5


def test_one_command_takes_the_clock_without_a_jump() -> None:
    desk = following()
    pulses(desk, 24)
    desk.midi(b"\xfa")
    pulses(desk, 1)
    desk.zero = desk.now
    pulses(desk, 100)
    desk.run(5 * PULSE / MS)
    desk.do("internal-clock")
    assert desk.player.song.source == "internal"
    desk.run(2000)
    ons = desk.ons(2)
    assert ons == pytest.approx([n * 125.0 for n in range(len(ons))], abs=0.5)
    assert desk.player.song.shown_bpm == pytest.approx(120, abs=0.1)
    desk.midi(b"\xf8")
    assert desk.player.incoming.others == {"pulse": 1}
    desk.do("tempo", bpm=90)
    assert desk.player.song.shown_bpm == 90


def test_following_begins_while_playing_and_falls_in_with_the_nearest_clock() -> None:
    desk = Desk(score_of(DOWN, HATS))
    desk.start()
    desk.run(1000 + (desk.zero - desk.now) / MS)
    desk.do("follow", source="pulse")
    assert state(desk) == "lost"
    desk.run(7)
    pulses(desk, 96)
    assert state(desk) == "running"
    ons = desk.ons(2)
    gaps = [two - one for one, two in itertools.pairwise(ons)]
    assert min(gaps) > 110
    assert max(gaps) < 140
    desk.do("follow", source="internal")
    desk.run(500)
    assert state(desk) == "running"
    assert len(desk.ons(2)) > len(ons)


def test_other_sources_are_counted_and_do_nothing() -> None:
    desk = following()
    for _ in range(30):
        desk.run(20)
        desk.midi(b"\xf8", "another")
    desk.midi(b"\xfa", "another")
    assert state(desk) == "stopped"
    assert desk.player.incoming.others == {"another": 30}
    assert desk.player.song.state(desk.now) == "waiting"


def test_offset_while_following_plays_earlier_or_later_by_that_much() -> None:
    for ms in (-20.0, 15.0):
        desk = following(offset_ms=ms)
        pulses(desk, 48)
        desk.midi(b"\xfa")
        pulses(desk, 1)
        desk.zero = desk.now
        pulses(desk, 200)
        ons = desk.ons(2)[4:20]
        assert ons == pytest.approx([n * 125.0 + ms for n in range(4, 20)], abs=0.3)


def test_late_only_jitter_does_not_reach_the_hits() -> None:
    desk = following()
    late = (0, 2 * MS, 0, MS, 3 * MS, 0, MS // 2, 0)
    pulses(desk, 96, late=late)
    desk.midi(b"\xfa")
    start = desk.now
    pulses(desk, 4 * 96, late=late)
    desk.zero = start + PULSE
    ons = desk.ons(2)[16:]
    error = [on - 125.0 * (n + 16) for n, on in enumerate(ons)]
    assert max(error) - min(error) < 1.0


def test_the_performer_starts_and_stops_on_a_clock_that_runs() -> None:
    desk = following()
    pulses(desk, 24)
    desk.do("start")
    assert state(desk) == "armed"
    pulses(desk, 30)
    assert len(desk.ons(1)) == 1
    desk.do("stop")
    desk.run(1)
    assert state(desk) == "stopped"
    for do in ("tap",):
        with pytest.raises(CommandError):
            desk.do(do)
    with pytest.raises(CommandError):
        desk.do("tempo", bpm=100)
    with pytest.raises(CommandError):
        desk.do("nudge", ms=5)


def test_nudge_moves_the_phase_and_not_the_tempo() -> None:
    desk = Desk(score_of(HATS))
    desk.start()
    desk.run_to(BAR)
    desk.do("nudge", ms=30)
    desk.run_to(4 * BAR)
    ons = desk.ons(2)
    assert ons[40:] == pytest.approx([n * 125.0 + 30 for n in range(40, len(ons))], abs=0.01)


def test_a_nudge_before_the_first_tick_moves_what_follows_too() -> None:
    """Whoever starts and nudges with two thumbs is not refused."""
    desk = Desk(score_of(HATS))
    desk.start()
    desk.do("nudge", ms=30)
    desk.run_to(4 * BAR)
    ons = desk.ons(2)
    assert ons[8:] == pytest.approx([n * 125.0 + 30 for n in range(8, len(ons))], abs=0.01)


def test_taps_set_the_tempo() -> None:
    desk = Desk(score_of(HATS))
    for _ in range(4):
        desk.do("tap")
        desk.run(600)
    assert desk.player.song.shown_bpm == pytest.approx(100.0, abs=0.2)


def test_where_it_stands_is_shown() -> None:
    song = SongClock(0, 120.0, "internal")
    assert song.place(10**12) == 0.0
    song.start(10**12)
    assert song.place(10**12) == 0.0
    assert song.place(10**12 + 500 * MS) == pytest.approx(BEAT, abs=60)
    song.stop(10**12 + 500 * MS)
    assert song.place(10**12 + 900 * MS) == song.transport.position * 40


@pytest.mark.parametrize("state_then", ["running", "stopped"])
def test_a_restart_goes_on_at_the_right_bar_with_mutes_and_macros(state_then: str) -> None:
    from bridge.player.report import Report

    old = Desk(score_of(DOWN, HATS))
    old.start()
    old.run_to(BAR + STEP)
    old.do("mute", lane="down", muted=True)
    old.run_to(BAR + BEAT)
    old.do("tempo", bpm=120.5)
    old.do("tempo", bpm=120.0 if state_then == "running" else 133.0)
    if state_then == "stopped":
        old.do("stop")
        old.run(2)
    snapshot = Report(old.player, process_about()).full(old.now)
    new = Desk(score_of(DOWN, HATS), now=old.now + 400 * MS)
    new.zero = old.zero
    new.player.resume(snapshot, lambda: new.now)
    new.run(4000)
    assert new.player.performance.state()["lanes"]["down"]["muted"] is True
    if state_then == "stopped":
        assert new.ons(2) == []
        assert new.player.song.place(new.now) == pytest.approx(BAR + BEAT, abs=40)
        assert new.player.song.bpm == new.player.song.shown_bpm == 133.0
        return
    ons = new.ons(2)
    assert ons[0] == pytest.approx(round(ons[0] / 125) * 125, abs=0.01)
    assert (new.zero + ons[0] * MS - old.now) / MS < 400 + 125 + 1
    assert len(ons) in (31, 32, 33)
    assert new.ons(1) == []


def test_a_restart_while_following_runs_free_and_locks_again_in_phase() -> None:
    from bridge.player.report import Report

    old = following()
    pulses(old, 24)
    old.midi(b"\xfa")
    pulses(old, 1)
    old.zero = old.now
    pulses(old, 120)
    snapshot = Report(old.player, process_about()).full(old.now)
    new = following()
    new.now, new.zero = old.now, old.zero
    pulses(new, 10)  # went by while nobody listened
    new.player = Desk(new.score, clock=ClockSettings("pulse"), now=new.now).player
    for name, port in new.ports.items():
        new.player.outputs.ports[name] = port
    new.player.resume(snapshot, lambda: new.now)
    pulses(new, 192)
    assert state(new) == "running"
    ons = new.ons(2)
    assert ons == pytest.approx([round(on / 125) * 125 for on in ons], abs=1.0)
    assert new.player.song.place(new.now) == pytest.approx(322 * 40, abs=3)


def test_a_host_that_begins_a_new_phase_with_start_is_met_where_it_begins() -> None:
    """Its clock runs while stopped; at Start it leaves a gap of a fraction and goes on there."""
    desk = following()
    pulses(desk, 96)
    desk.midi(b"\xfa")
    desk.run(31.7)
    desk.midi(b"\xf8")
    desk.zero = desk.now
    pulses(desk, 96)
    assert desk.ons(1)[0] == pytest.approx(0.0, abs=0.1)
    assert desk.ons(2)[:16] == pytest.approx([n * 125.0 for n in range(16)], abs=0.5)


def test_lengths_in_ms_go_by_the_followed_tempo() -> None:
    lane = gate_lane("long", "x...", 1, settings={"gate_ms": 100.0})
    desk = Desk(score_of(lane, tempo=60.0), clock=ClockSettings("pulse"))
    pulses(desk, 48)
    desk.midi(b"\xfa")
    pulses(desk, 96)
    opening = desk.openings(1)[1]
    assert opening.off is not None
    assert opening.off - opening.on == pytest.approx(100.0, abs=2.0)
    assert desk.player.performance.tempo == pytest.approx(120.0, abs=1.3)
