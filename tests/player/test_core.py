"""The player on a clock that stands: what leaves the port, and when.

Numbers: retrigger gap 5 ms, lead 2 ms and trigger 10 ms are common practice, no source; a sixteenth
at 120 BPM is 125 ms and a MIDI clock 20.83 ms (tests/reference/timing_clock.csv, row bpm_120).
"""

from __future__ import annotations

import itertools
from fractions import Fraction

import pytest
from support.desk import BAR, BEAT, MS, RIG, STEP, Desk, gate_lane, ms_of, score_of, wire
from support.said import say

from bridge.errors import CommandError
from bridge.music.model import Drive, Entry, Lane, Levels, Logic, Macro, Note, Notes, Section
from bridge.music.ticks import parse_rate
from bridge.player.dispatch import mute_derived
from bridge.player.start import PortSpec
from bridge.voltage.profile import Address, Output
from bridge.voltage.rig_parts import ClockSettings, Timing

RATE_QUARTER = parse_rate("1/4")
RATE_64 = parse_rate("1/64")
SEND_CLOCK = ClockSettings(send_to=("main",))

KICK = gate_lane("kick", "x...x...x...x...")
HATS = gate_lane("hats", "xxxxxxxxxxxxxxxx", 2)


def approx(*ms: float) -> object:
    return pytest.approx(list(ms), abs=1e-4)


def test_outputs_start_at_rest_and_nothing_sounds_before_start() -> None:
    desk = Desk(score_of(KICK))
    desk.run(500)
    statuses = {data[0] for _, data in desk.sent()}
    assert 0x99 not in statuses
    assert {data for _, data in desk.sent() if data[0] == 0x89} >= {bytes((0x89, 36, 0x40))}


def test_hits_fall_on_the_grid_to_the_microsecond() -> None:
    desk = Desk(score_of(KICK))
    desk.start()
    desk.run_to(2 * BAR - 1)
    assert desk.ons() == approx(*(ms_of(beat * BEAT) for beat in range(8)))
    # `gate` is 0.5 of a sixteenth unless told.
    offs = [opening.off for opening in desk.openings()]
    assert offs[:3] == approx(*(ms_of(beat * BEAT + 120) for beat in range(3)))


def test_pitch_leads_its_gate_which_stays_on_the_grid() -> None:
    tune = Lane("tune", Notes((Note(36.0), Note(48.0))), advance="kick", out="main.pitch-1")
    desk = Desk(score_of(KICK, tune), timing=Timing(lead_ms=3.0))
    desk.start()
    desk.run_to(BAR)
    moves = [ms for ms, data in desk.of_status(0xB0) if data[1] == 16 and ms > 100]
    assert moves[:2] == approx(ms_of(BEAT) - 3.0, ms_of(2 * BEAT) - 3.0)
    assert desk.ons()[1:3] == approx(ms_of(BEAT), ms_of(2 * BEAT))


def test_what_falls_together_is_ordered_clock_off_value_on() -> None:
    """Common practice for the order; a note-off before the note-on of the same time is MIDI 1.0."""
    long = gate_lane("long", "x...", 3, settings={"gate": 4.0})
    moved = Lane("moved", Levels((0.0, 1.0)), advance=RATE_QUARTER, out="main.level-1")
    desk = Desk(
        score_of(KICK, long, moved),
        timing=Timing(lead_ms=0.0, retrigger_gap_ms=1.0),
        clock=SEND_CLOCK,
    )
    desk.start()
    desk.run_to(BEAT + 10)
    together = [data for ms, data in desk.sent() if abs(ms - ms_of(BEAT)) < 1e-4]
    kinds = [{0xF8: 0, 0x89: 1, 0xB0: 2, 0x99: 3}[data[0]] for data in together]
    assert kinds == sorted(kinds)
    assert {0, 2, 3} <= set(kinds)


def test_lane_order_decides_among_hits_that_fall_together() -> None:
    first, second = gate_lane("a", "x...", 5), gate_lane("b", "x...", 1)
    desk = Desk(score_of(first, second))
    desk.start()
    desk.run_to(10)
    assert [data[1] for _, data in desk.of_status(0x99)] == [40, 36]


def test_an_open_gate_closes_a_gap_before_its_next_hit() -> None:
    lane = gate_lane("kick", "xxxx", settings={"gate": 3.0})
    desk = Desk(score_of(lane), timing=Timing(retrigger_gap_ms=7.0))
    desk.start()
    desk.run_to(2 * BAR)
    openings = desk.openings()
    for one, two in itertools.pairwise(openings):
        assert one.off == pytest.approx(two.on - 7.0, abs=1e-4)


def test_hits_closer_than_two_gaps_share_the_time_between_them() -> None:
    lane = gate_lane("roll", "x...............", settings={"repeats": 16.0})
    desk = Desk(score_of(lane, tempo=120.0), timing=Timing(retrigger_gap_ms=20.0))
    desk.start()
    desk.run_to(BAR - 1)
    openings = [o for o in desk.openings() if o.on < 125]
    assert len(openings) == 16
    for one, two in itertools.pairwise(openings):
        assert one.off is not None
        assert one.on < one.off < two.on


def test_two_lanes_on_one_gate_make_one_opening_where_they_meet() -> None:
    soft = gate_lane("soft", "x...", settings={"level": 0.3}, share=True)
    loud = gate_lane("loud", "x.......", share=True, settings={"level": 0.9, "gate": 2.0})
    desk = Desk(score_of(soft, loud))
    desk.start()
    desk.run_to(BAR)
    first, second = desk.openings()[:2]
    assert first.velocity == round(0.9 * 127)
    assert first.off == pytest.approx(ms_of(2 * STEP), abs=1e-4)
    assert second.velocity == round(0.3 * 127)


def test_a_trigger_has_the_width_of_its_profile_at_most_half_a_step() -> None:
    """10 ms is common practice, no source; a 1/64 at 120 BPM is 31.25 ms."""
    rig = dict(RIG) | wire(
        Output("trigger-1", "trigger", Address("note", 10, 36), pulse_ms=20.0),
        Output("trigger-2", "trigger", Address("note", 10, 37)),
    )
    slow = Lane("slow", KICK.source, KICK.advance, out="main.trigger-1", settings={"gate": 3.0})
    fast = Lane("fast", HATS.source, RATE_64, out="main.trigger-1", settings={"gate": 3.0})
    plain = Lane("plain", KICK.source, KICK.advance, out="main.trigger-2")
    for lane, gate, width in ((slow, 1, 20.0), (fast, 1, 15.625), (plain, 2, 10.0)):
        desk = Desk(score_of(lane, rig=rig), rig=rig)
        desk.start()
        desk.run_to(BEAT)
        opening = desk.openings(gate)[0]
        assert opening.off == pytest.approx(opening.on + width, abs=1e-3)


def test_stop_closes_every_gate_at_once_and_nothing_follows() -> None:
    long = gate_lane("long", "x...", 3, settings={"gate": 16.0})
    desk = Desk(score_of(KICK, HATS, long))
    desk.start()
    desk.run_to(BAR + 5)
    assert desk.player.outputs.open
    at = desk.now
    desk.do("stop")
    desk.run(1)
    assert not desk.player.outputs.open
    assert desk.still_open() == []
    assert max(ns for ns, data in desk.ports["main"].sent if data[0] == 0x89) - at <= 5 * MS
    count = len(desk.ports["main"].sent)
    desk.run(1000)
    assert len(desk.ports["main"].sent) == count


def test_stop_sends_levels_to_rest_and_keeps_pitches() -> None:
    moved = Lane("moved", Levels((1.0,)), out="main.level-1")
    tune = Lane("tune", Notes((Note(60.0),)), out="main.pitch-1")
    desk = Desk(score_of(moved, tune))
    desk.start()
    desk.run(300)
    before = len(desk.sent())
    desk.do("stop")
    desk.run(20)
    assert [data for _, data in desk.sent()[before:]] == [bytes((0xB0, 20, 0))]


def test_a_value_that_waits_does_not_raise_a_level_after_the_stop() -> None:
    """An output moves a hundred times a second at most: the second move waits for its turn."""
    bright = Macro("bright", drives=(Drive(out="main.level-1", start=0.0, end=5.0),))
    desk = Desk(score_of(gate_lane("kick", "x..."), macros=[bright]))
    desk.start()
    desk.run(300)
    desk.do("macro", macro="bright", value=0.4)
    desk.run(1)
    desk.do("macro", macro="bright", value=0.8)
    desk.do("stop")
    desk.run(200)
    moved = [data for _, data in desk.sent() if data[:2] == bytes((0xB0, 20))]
    assert len(moved) > 2
    assert moved[-1] == bytes((0xB0, 20, 0))


@pytest.mark.parametrize("late_ms", [0.0, 0.3, 3.0, 40.0])
def test_mute_now_closes_the_gate_and_drops_what_is_queued(late_ms: float) -> None:
    """At most 5 ms, of which one is for what is already on its way out."""
    long = gate_lane("long", "x.x.", settings={"gate": 2.0})
    desk = Desk(score_of(long))
    desk.start()
    desk.run_to(2 * BEAT)
    desk.run(late_ms)
    at = (desk.now - desk.zero) / MS
    desk.do("mute", lane="long", muted=True, when="now")
    desk.run(1500)
    assert desk.still_open() == []
    last = desk.openings()[-1]
    assert last.on <= at + 1.0
    assert last.off is not None
    assert last.off <= at + 5.0


def test_unmute_never_revives_an_old_note() -> None:
    long = gate_lane("long", "x...............", settings={"gate": 12.0})
    desk = Desk(score_of(long))
    desk.start()
    desk.run_to(STEP)
    desk.do("mute", lane="long", muted=True)
    desk.run(5)
    desk.do("mute", lane="long", muted=False)
    desk.run_to(BAR - STEP)
    assert len(desk.ons()) == 1
    desk.run_to(BAR + STEP)
    assert desk.ons()[1:] == approx(ms_of(BAR))


@pytest.mark.parametrize(("when", "tick"), [("beat", 3 * BEAT), ("bar", BAR), (2, 2 * BAR)])
def test_a_mute_waits_for_its_line_and_closes_the_gate_there(when: object, tick: int) -> None:
    desk = Desk(score_of(gate_lane("long", "x.x.", settings={"gate": 1.9})))
    desk.start()
    desk.run_to(2 * BEAT + 2 * STEP)
    desk.do("mute", lane="long", muted=True, when=when)
    desk.run_to(3 * BAR)
    last = desk.openings()[-1]
    assert last.on == pytest.approx(ms_of(tick - 2 * STEP), abs=1e-4)
    assert last.off is not None
    assert last.off <= ms_of(tick) + 5.0


def test_a_gate_that_is_open_across_the_line_is_closed_by_the_mute_there() -> None:
    desk = Desk(score_of(gate_lane("long", "x.......", settings={"gate": 6.0})))
    desk.start()
    desk.run_to(10)
    desk.do("mute", lane="long", muted=True, when="beat")
    desk.run_to(BAR)
    (opening,) = desk.openings()
    assert opening.off == pytest.approx(ms_of(BEAT), abs=1e-4)


def test_all_out_and_solo_close_what_is_not_to_be_heard() -> None:
    long = gate_lane("long", "x...", 3, settings={"gate": 3.9})
    desk = Desk(score_of(KICK, HATS, long))
    desk.start()
    desk.run_to(BAR + STEP)
    desk.do("solo", lane="kick", on=True)
    desk.run(5)
    assert desk.player.outputs.open <= {"main.gate-1"}
    desk.do("mute-all")
    desk.run(2000)
    assert desk.still_open() == []
    assert not [o for o in desk.openings(1) if o.on > ms_of(BAR + STEP) + 10]


def test_macros_reach_level_outputs_while_the_song_stands() -> None:
    macro = Macro("depth", 0.0, drives=(Drive(out="main.level-2", start=0.0, end=5.0),))
    desk = Desk(score_of(KICK, macros=[macro]))
    desk.run(50)
    before = len(desk.sent())
    for step in range(1, 101):
        desk.do("macro", macro="depth", value=step / 100)
        desk.run(1)
    desk.run(50)
    moves = [(ms, data) for ms, data in desk.sent()[before:] if data[:2] == bytes((0xB1, 20))]
    assert moves[-1][1][2] == 127
    assert len(moves) <= 15  # at most 100 a second of one output
    assert all(two - one >= 9.9 for (one, _), (two, _) in itertools.pairwise(moves))


def test_a_macro_moved_just_before_the_start_keeps_nobody_awake() -> None:
    """What has still to reach an output that stands is no reason to be called again and again once
    the song plays: a call each IDLE_NS, a few for each hit, and not one every 50 us."""
    macro = Macro("depth", 0.0, drives=(Drive(out="main.level-2", start=0.0, end=5.0),))
    desk = Desk(score_of(KICK, macros=[macro]))
    desk.run(50)
    desk.do("macro", macro="depth", value=0.2)
    desk.run(1)
    desk.do("macro", macro="depth", value=0.4)  # this one waits, for the first has just been sent
    desk.start()
    before = desk.steps
    desk.run(1000)
    assert desk.steps - before < 1000


def test_offset_moves_everything_without_a_missed_or_doubled_hit() -> None:
    desk = Desk(score_of(HATS))
    desk.start()
    for number, ms in enumerate((0.1, 30.0, -30.0, 100.0, -100.0, 12.3, 0.0)):
        desk.run_to((number + 1) * BAR + 100)
        desk.do("offset", ms=ms)
    desk.run_to(9 * BAR - 10)
    ons = desk.ons(2)
    wanted = [ms_of(step * STEP) for step in range(9 * 16)]
    assert len(ons) == len(wanted)
    late = [on - want for on, want in zip(ons, wanted, strict=True)]
    assert late[5] == pytest.approx(0, abs=1e-4)
    assert late[1 * 16 + 8] == pytest.approx(0.1, abs=1e-4)
    assert late[4 * 16 + 8] == pytest.approx(100.0, abs=1e-4)
    assert late[5 * 16 + 8] == pytest.approx(-100.0, abs=1e-4)
    # What a hand has moved to an earlier time is not late: it was not due before.
    assert desk.player.outputs.lateness.worst_ns < 1 * MS
    with pytest.raises(CommandError):
        desk.do("offset", ms=100.1)


def test_tempo_change_is_heard_at_once_and_keeps_the_phase() -> None:
    desk = Desk(score_of(HATS))
    desk.start()
    desk.run_to(BAR)
    desk.do("tempo", bpm=60)
    desk.run(2000)
    ons = [on for on in desk.ons(2) if on > ms_of(BAR) - 1]
    assert ons[:4] == approx(*(ms_of(BAR) + n * 250.0 for n in range(4)))


def test_a_section_with_a_tempo_changes_it_on_its_bar_line() -> None:
    section = Section("slow", None, tempo=60.0)
    desk = Desk(score_of(HATS, sections=(section,)))
    desk.start()
    desk.run_to(BEAT)
    desk.do("section", section="slow")
    desk.run_to(BAR + BEAT)
    ons = desk.ons(2)
    assert ons[15:19] == approx(1875.0, 2000.0, 2250.0, 2500.0)
    assert desk.player.song.shown_bpm == 60.0


def test_a_day_of_beats_does_not_drift() -> None:
    """24 h at 133.33 BPM: the hits of the last minute are where arithmetic says. The song is put
    there, as waiting for all of it would take long; the anchor arithmetic is the same."""
    desk = Desk(score_of(KICK, tempo=133.33))
    ticks = int(24 * 60 * 133.33) * BEAT // BAR * BAR
    desk.start()
    desk.zero = desk.player.song.time_of(0)
    wanted = desk.zero + round(Fraction(ticks) * 60_000_000_000 / (Fraction(133.33) * BEAT))
    assert abs(desk.player.song.time_of(ticks) - wanted) <= 1


def test_a_new_score_takes_over_on_the_bar_line_and_closes_lanes_that_are_gone() -> None:
    old = score_of(KICK, gate_lane("gone", "x...............", 4, settings={"gate": 16.0}))
    new = score_of(KICK, gate_lane("new", "..x.", 5))
    desk = Desk(old)
    desk.start()
    desk.run_to(3 * BEAT)
    desk.player.swap(new, 2, "bar")
    desk.run_to(2 * BAR - 1)
    assert desk.player.part.revision == 2
    assert desk.ons(1) == approx(*(ms_of(beat * BEAT) for beat in range(8)))
    (gone,) = desk.openings(4)
    assert gone.off is not None
    assert gone.off <= ms_of(BAR)
    assert desk.ons(5)[0] == pytest.approx(ms_of(BAR + 2 * STEP), abs=1e-4)


def test_a_new_score_keeps_mutes_and_macros_and_brings_free_levels_to_rest() -> None:
    macro = Macro("m", 0.0, drives=(Drive(lane="kick", setting="chance", depth=0.0),))
    swell = Lane("swell", Levels((1.0,)), out="main.level-1")
    desk = Desk(score_of(KICK, HATS, swell, macros=[macro]))
    desk.start()
    desk.do("mute", lane="kick", muted=True)
    desk.do("macro", macro="m", value=0.7)
    desk.run_to(BEAT)
    desk.player.swap(score_of(HATS, KICK, macros=[macro]), 2, "step")
    desk.run_to(BAR)
    state = desk.player.performance.state()
    assert state["lanes"]["kick"]["muted"] is True
    assert state["macros"]["m"]["value"] == 0.7
    assert desk.of_status(0xB0)[-1][1] == bytes((0xB0, 20, 0))
    with pytest.raises(CommandError):
        desk.player.swap(score_of(KICK), 3, "someday")


def test_a_new_score_while_stopped_is_there_at_once() -> None:
    desk = Desk(score_of(KICK))
    desk.run(10)
    desk.player.swap(score_of(HATS), 5, "bar")
    desk.run(10)
    assert desk.player.part.revision == 5
    desk.start()
    desk.run_to(BEAT - 1)
    assert desk.ons(1) == []
    assert len(desk.ons(2)) == 4


def test_continue_goes_on_where_stop_was_without_playing_a_hit_twice() -> None:
    desk = Desk(score_of(HATS))
    desk.start()
    desk.run_to(10 * STEP + 100)
    desk.do("stop")
    played = len(desk.ons(2))
    desk.run(500)
    desk.do("continue")
    desk.run_to(BAR - 1)
    assert played == 11
    assert len(desk.ons(2)) == 16
    assert desk.still_open() == []


def test_a_position_is_played_from() -> None:
    lane = gate_lane("one", "........x.......")
    desk = Desk(score_of(lane))
    desk.do("position", tick=7 * STEP)
    desk.run(10)
    desk.do("continue")
    desk.zero = desk.player.song.time_of(7 * STEP)
    desk.run(300)
    assert desk.ons() == approx(125.0)


def test_start_while_running_begins_again_on_the_next_clock() -> None:
    desk = Desk(score_of(gate_lane("one", "x...............", settings={"gate": 8.0})))
    desk.start()
    desk.run_to(2 * STEP + 7)
    desk.do("start")
    again = desk.player.song.time_of(0)
    desk.run_to(BEAT)
    assert desk.ons() == approx(0.0, (again - desk.zero) / MS)
    assert (again - desk.zero) / MS == pytest.approx(ms_of(520), abs=25)
    assert desk.still_open() == [] or desk.openings()[-1].on > 0


def test_commands_that_are_wrong_change_nothing() -> None:
    desk = Desk(score_of(KICK))
    before = desk.player.performance.state()
    for do, fields, kind in (
        ("mute", {"lane": "nobody", "muted": True}, "unknown"),
        ("mute", {"lane": "kick", "muted": 1}, "value"),
        ("macro", {"macro": "m", "value": float("nan")}, "value"),
        ("fly", {}, "unknown"),
        ("tempo", {"bpm": 1000}, "value"),
        ("reset", {"lane": "nobody"}, "unknown"),
        ("quit", {}, "state"),
        ("try", {"output": "main.gate-9", "action": "gate", "value": 1}, "unknown"),
        ("try", {"output": "main.gate-1", "action": "pitch", "value": 1}, "value"),
    ):
        with pytest.raises(CommandError) as refused:
            desk.do(do, **fields)
        assert refused.value.kind == kind, do
    assert desk.player.performance.state() == before


def test_a_command_that_comes_while_messages_wait_is_answered_after_them() -> None:
    desk = Desk(score_of(KICK))
    desk.start()
    desk.run_to(BEAT)
    desk.run((desk.player.song.time_of(2 * BEAT) - desk.now) / MS - 0.5)
    assert desk.player.staged
    answers: list[object] = []
    desk.player.command(say("mute", lane="kick", muted=True), desk.now, answers.append)
    desk.player.command(say("macro", macro="none", value=0), desk.now, answers.append)
    assert answers == []
    desk.run(2)
    assert answers[0] is None
    assert isinstance(answers[1], CommandError)
    assert desk.still_open() == []
    assert len(desk.ons()) == 3


def test_outputs_are_tried_one_at_a_time() -> None:
    desk = Desk(score_of(KICK))
    desk.do("try", output="main.gate-3", action="gate", value=1)
    desk.do("try", output="main.pitch-1", action="pitch", value=48)
    desk.do("try", output="main.level-1", action="level", value=5)
    desk.run(1000)
    (opening,) = desk.openings(3)
    assert opening.off == pytest.approx(opening.on + 250.0, abs=1e-3)
    assert bytes((0xB0, 20, 127)) in [data for _, data in desk.sent()]
    assert [data for _, data in desk.of_status(0xB0) if data[1] == 16]
    desk.do("try", output="main.gate-3", action="gate", value=1)
    desk.run(20)
    desk.do("try", output="main.gate-3", action="gate", value=0)
    desk.run(1)
    assert desk.still_open() == []


def test_an_interface_that_comes_back_gets_offs_and_values_but_no_backlog() -> None:
    swell = Lane("swell", Levels((0.6,)), out="main.level-1")
    desk = Desk(score_of(HATS, swell))
    desk.start()
    desk.run_to(BEAT)
    desk.player.port_lost("main")
    gone = desk.now
    desk.run(1000)
    assert not [ns for ns, _ in desk.ports["main"].sent if ns > gone]
    before = len(desk.ports["main"].sent)
    desk.player.port_back("main", desk.now)
    desk.run(20)
    again = [data for _, data in list(desk.ports["main"].sent)[before:]]
    assert again[0][0] & 0xF0 == 0x80
    assert bytes((0xB0, 20, round(0.6 * 127))) in again
    assert len([data for data in again if data[0] == 0x99]) <= 1
    desk.run_to(4 * BAR)
    steps = (desk.now - desk.zero) / MS / 125.0
    assert desk.ons(2)[-1] == pytest.approx(125.0 * int(steps + 1e-6), abs=130)
    assert desk.player.warnings


def test_latency_of_an_interface_is_made_up_for() -> None:
    rig = dict(RIG) | wire(Output("gate-1", "gate", Address("note", 10, 36)), port="slow")
    lane = Lane("far", KICK.source, KICK.advance, out="slow.gate-1")
    desk = Desk(
        score_of(lane, HATS, rig=rig),
        rig=rig,
        specs={"main": PortSpec(), "slow": PortSpec(latency_ms=4.0)},
    )
    desk.start()
    desk.run_to(BAR)
    far = [ms for ms, data in desk.sent("slow") if data[0] == 0x99]
    assert far[1:3] == approx(496.0, 996.0)


def test_derived_lanes_can_be_kept_out_at_the_start() -> None:
    derived = Lane("derived", Logic("kick"), out="main.gate-3")
    desk = Desk(score_of(KICK, derived))
    mute_derived(desk.player, desk.now)
    desk.start()
    desk.run_to(BAR)
    assert desk.ons(3) == []
    assert len(desk.ons(1)) >= 4


def test_the_end_is_explicit_offs_then_all_notes_off_and_rest() -> None:
    """Note-offs before controller 123: MIDI 1.0 Detailed Specification 4.2.1, pp. 24-25."""
    desk = Desk(score_of(gate_lane("long", "x...", settings={"gate": 3.9})))
    desk.start()
    desk.run_to(STEP)
    before = len(desk.sent())
    desk.player.finish()
    last = [data for _, data in desk.sent()[before:]]
    assert last[0] == bytes((0x89, 36, 0x40))
    assert last.index(bytes((0xB9, 123, 0))) > max(
        index for index, data in enumerate(last) if data[0] == 0x89
    )
    assert bytes((0xB9, 120, 0)) in last
    assert not desk.player.outputs.open


def test_the_latency_of_a_voice_is_made_up_for_and_its_pitch_still_comes_first() -> None:
    """Two voices on one interface, one of them 8 ms late: its gate leaves 8 ms early, the other's
    on its tick. The pitch that moves with the late voice's hits leads those hits all the same."""
    line = Lane("line", Notes((Note(36.0), Note(48.0))), advance="kick", out="main.pitch-1")
    other = gate_lane("other", "x...x...x...x...", 2)
    desk = Desk(
        score_of(KICK, line, other), specs={"main": PortSpec(voice_ms={"main.gate-1": 8.0})}
    )
    desk.start()
    desk.run_to(BAR)
    assert desk.ons(1)[1:3] == approx(492.0, 992.0)
    assert desk.ons(2)[1:3] == approx(500.0, 1000.0)
    moved = [ms for ms, data in desk.of_status(0xB0) if data[1] == 16 and ms > 100.0]
    assert moved[:2] == approx(490.0, 990.0)


@pytest.mark.parametrize("with_start", [True, False])
def test_the_order_runs_with_the_song_where_the_set_says_so(with_start: bool) -> None:
    """Started at bar 1 it begins with its first entry, each time; continued it goes on."""
    score = score_of(
        KICK,
        HATS,
        sections=(Section("ebb", ("kick",)), Section("flood", ("hats",))),
        order=(Entry("ebb", 1), Entry("flood", 4)),
        order_starts=with_start,
    )
    desk = Desk(score)
    desk.start()
    desk.run_to(BAR + BEAT)
    order = desk.player.performance.state()["order"]
    assert (order["running"], order["entry"]) == ((True, 1) if with_start else (False, None))
    desk.player.command(say("stop"), desk.now)
    desk.player.command(say("continue"), desk.now)
    desk.run(200)
    assert desk.player.performance.state()["order"]["entry"] == (1 if with_start else None)
    desk.player.command(say("start", restart=True), desk.now)
    desk.run(200)
    assert desk.player.performance.state()["section"] == ("ebb" if with_start else None)
