"""The player on a clock that jumps, as files are rendered."""

from __future__ import annotations

from support.desk import BAR, BEAT, RIG, STEP, gate_lane, score_of
from support.said import say

from bridge.music.model import Lane, Logic, Note, Notes
from bridge.music.render import events_between
from bridge.player.offline import perform
from bridge.voltage.rig_parts import ClockSettings, Timing

KICK = gate_lane("kick", "x...")
HELPER = Lane("helper", gate_lane("x", ".x..").source)
DERIVED = Lane("derived", Logic("kick or helper"), out="main.gate-2")
TUNE = Lane("tune", Notes((Note(40.0), Note(47.0))), advance="kick", out="main.pitch-1")
SCORE = score_of(KICK, HELPER, DERIVED, TUNE)


def test_events_are_those_of_the_score_in_the_order_sent() -> None:
    """Against `Score.between`, which knows nothing of time, ports or queues."""
    night = perform(SCORE, RIG, 4, timing=Timing(lead_ms=0.0))
    wanted = [
        (e.tick, SCORE.lanes[e.lane].name, e.kind, e.value, e.length, e.output)
        for e in events_between(SCORE, 0, 4 * BAR)
    ]
    got = [(e.tick, e.lane, e.kind, e.value, e.length, e.output) for e in night.events]
    assert got == wanted
    assert {lane for _, lane, *_ in got} == {"kick", "helper", "derived", "tune"}


def test_bytes_carry_time_and_tick() -> None:
    night = perform(SCORE, RIG, 2)
    ons = [sent for sent in night.sent if sent.data[:2] == bytes((0x99, 36))]
    assert [sent.ns for sent in ons] == [number * 500_000_000 for number in range(8)]
    assert [round(sent.tick, 3) for sent in ons] == [number * BEAT for number in range(8)]
    assert night.sent[0].ns < 0, "outputs are set up before the first tick"
    assert night.sent[-1].data[0] & 0xF0 == 0xB0
    open_notes = set()
    for sent in night.sent:
        if sent.data[0] == 0x99:
            open_notes.add(sent.data[1])
        elif sent.data[0] == 0x89:
            open_notes.discard(sent.data[1])
    assert not open_notes


def test_commands_are_done_where_they_are_put() -> None:
    mute = [say("mute", lane="kick", muted=True, when="bar")]
    night = perform(SCORE, RIG, 3, commands={BEAT + STEP: mute})
    kicks = [event.tick for event in night.events if event.lane == "kick"]
    assert kicks == [0, BEAT, 2 * BEAT, 3 * BEAT]
    assert [e for e in night.events if e.lane == "derived" and e.tick > BAR]


def test_the_same_night_twice_is_the_same_to_the_byte() -> None:
    clock = ClockSettings(send_to=("main",))
    assert perform(SCORE, RIG, 3, settings=clock) == perform(SCORE, RIG, 3, settings=clock)
