"""Values on a wire: thinned, latest wins, and never in the way of a hit.

31250 baud, 320 us a byte: MIDI 1.0 Detailed Specification 4.2.1, p. 1. At most 100 a second and
30 % of the link for values is our choice.
"""

from __future__ import annotations

import pytest
from support.desk import BAR, BEAT, MS, Desk, gate_lane, score_of

from bridge.music.model import Drive, Lane, Macro, Shape
from bridge.player.start import PortSpec
from bridge.voltage.rig_parts import Timing

HATS = gate_lane("hats", "xxxxxxxxxxxxxxxx", 2)
DIN = {"main": PortSpec(link="din")}


def modulated() -> Desk:
    lanes = [
        Lane(f"swell-{n}", Shape("sine"), BEAT * 2, out=f"main.level-{n}")  # type: ignore[arg-type]
        for n in (1, 2)
    ]
    glide = Lane("slide", Shape("triangle"), BEAT, out="main.pitch-1")  # type: ignore[arg-type]
    return Desk(score_of(HATS, *lanes, glide), specs=DIN, timing=Timing(lead_ms=0.0))


def test_moving_values_take_at_most_their_share_of_a_din_link() -> None:
    desk = modulated()
    desk.start()
    desk.run_to(4 * BAR)
    seconds = (desk.now - desk.zero) / 1e9
    values = [data for ms, data in desk.sent() if data[0] & 0xF0 == 0xB0 and ms > 0]
    assert values
    assert len(values) * 3 * 320e-6 <= 0.3 * seconds * 1.05
    one = [ms for ms, data in desk.of_status(0xB0) if data[1] == 20 and ms > 0]
    assert len(one) / seconds <= 100


def test_hits_stay_on_the_grid_and_wait_for_one_message_at_most() -> None:
    desk = modulated()
    desk.start()
    desk.run_to(4 * BAR)
    ons = desk.ons(2)
    assert ons[1:] == pytest.approx([n * 125.0 for n in range(1, len(ons))], abs=1e-4)
    # No value that would still be on the wire (3 bytes or a pair of messages) when a hit is due.
    for ms, data in desk.sent():
        if data[0] & 0xF0 == 0xB0 and ms > 10:
            ahead = [on - ms for on in ons if on > ms + 1e-4]
            assert not ahead or ahead[0] >= 0.96 - 1e-3


def test_the_last_value_of_a_movement_always_arrives() -> None:
    macro = Macro("m", 0.0, drives=(Drive(out="main.level-1", start=0.0, end=5.0),))
    desk = Desk(score_of(HATS, macros=[macro]), specs=DIN)
    desk.start()
    desk.run_to(BEAT)
    for number in range(200):
        desk.do("macro", macro="m", value=number / 199)
        desk.run(0.7)
    desk.run(100)
    assert desk.of_status(0xB0)[-1][1] == bytes((0xB0, 20, 127))


def test_lateness_counts_what_had_a_deadline() -> None:
    desk = Desk(score_of(HATS))
    desk.start()
    desk.run_to(BEAT)
    late = desk.player.outputs.lateness
    before = late.count
    assert before > 0
    assert late.worst_ns == 0
    due = desk.player.step(desk.now)
    while not desk.player.staged:
        desk.now = due
        due = desk.player.step(desk.now)
    desk.now = due + 3 * MS
    desk.player.step(desk.now)
    assert late.worst_ns == 3 * MS
    assert late.count > before


def test_what_was_sent_is_kept_for_readers_and_bounded() -> None:
    desk = Desk(score_of(HATS))
    desk.start()
    desk.run_to(40 * BAR)
    assert 0 < len(desk.player.outputs.sent) <= 2048
    assert desk.player.outputs.sent[-1][1] == "main"
    assert len(desk.player.sender.played) <= 1024
